"""Finds drivers and link kinds by entry point, so that ours and anybody's are found the same way."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from importlib.metadata import entry_points
from typing import Any, ClassVar, Protocol, cast

from pydantic import BaseModel

from benchd.devices.interfaces import Device
from benchd.devices.links import Link
from benchd.errors import Refused

DRIVERS = "benchd.drivers"
LINKS = "benchd.links"


class LinkKind(Protocol):
    """A link class as registered: `Config` and `create(name, config)`."""

    Config: ClassVar[type[BaseModel]]

    @classmethod
    def create(cls, name: str, config: Any) -> Link: ...


def names(group: str) -> list[str]:
    """All registered names of a group, sorted."""
    return sorted({point.name for point in entry_points(group=group)})


def _load(group: str, name: str) -> Any:
    for point in entry_points(group=group, name=name):
        return point.load()
    near = get_close_matches(name, names(group), n=1)
    what = "driver" if group == DRIVERS else "link kind"
    raise Refused(
        "unknown_name",
        f"There is no {what} '{name}'.",
        advice=(f"Did you mean '{near[0]}'? " if near else "") + f"Installed: {_listed(names(group))}.",
    )


def _listed(items: Iterable[str]) -> str:
    return ", ".join(items) or "none"


def driver(name: str) -> type[Device]:
    """The driver class registered as `name`. Raises Refused('unknown_name') listing those that are installed."""
    return cast(type[Device], _load(DRIVERS, name))


def link_kind(name: str) -> type[LinkKind]:
    """The link class registered as `name`. Raises Refused('unknown_name')."""
    return cast("type[LinkKind]", _load(LINKS, name))
