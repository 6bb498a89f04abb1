"""Finds drivers and link kinds by entry point, those of benchd and of other packages alike."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from importlib.metadata import EntryPoint
from typing import Any, ClassVar, Protocol, cast

from pydantic import BaseModel

from benchd.devices.errors import DeviceFault
from benchd.devices.interfaces import DRIVER_API, Device
from benchd.devices.links import Link
from benchd.errors import Refused
from benchd.plugins import registered

DRIVERS = "benchd.drivers"
LINKS = "benchd.links"


class LinkKind(Protocol):
    """A link class as registered: `Config` and `create(name, config)`."""

    Config: ClassVar[type[BaseModel]]

    @classmethod
    def create(cls, name: str, config: Any) -> Link: ...


def names(group: str) -> list[str]:
    """All registered names of a group, sorted."""
    return sorted({point.name for point in registered(group)})


def _load(group: str, name: str, base: type[Any]) -> Any:
    what = "driver" if group == DRIVERS else "link kind"
    for point in registered(group).select(name=name):
        try:
            found = point.load()
        except (Exception, SystemExit) as error:
            raise _unfit(what, name, point, f"cannot be loaded: {type(error).__name__}: {error}") from error
        _check_class(what, name, point, found, base)
        return found
    near = get_close_matches(name, names(group), n=1)
    raise Refused(
        "unknown_name",
        f"There is no {what} '{name}'.",
        advice=(f"Did you mean '{near[0]}'? " if near else "") + f"Installed: {_listed(names(group))}.",
    )


def _check_class(what: str, name: str, point: EntryPoint, found: Any, base: type[Any]) -> None:
    """Check that the registered object is a class of this kind, has a `Config`, and fits this interface version."""
    if not (isinstance(found, type) and issubclass(found, base)):
        raise _unfit(what, name, point, f"is no {base.__name__.lower()}: {point.value} is not a class of that kind")
    config = getattr(found, "Config", None)
    if not (isinstance(config, type) and issubclass(config, BaseModel)):
        raise _unfit(what, name, point, "has no `Config`, a pydantic model of its keys in the bench file")
    written_for = getattr(found, "driver_api", None)
    if written_for != DRIVER_API:
        why = f"was written for version {written_for} of the driver interface; this benchd has {DRIVER_API}"
        raise _unfit(what, name, point, why)


def _unfit(what: str, name: str, point: EntryPoint, why: str) -> DeviceFault:
    package = "" if point.dist is None else f" (package {point.dist.name} {point.dist.version})"
    return DeviceFault(
        f"The {what} '{name}'{package} {why.rstrip('.')}.",
        advice="Install a version of that package that goes with this benchd, or take it out of the bench file.",
        device=name,
        data={"driver": name, "call": "load"},
    )


def _listed(items: Iterable[str]) -> str:
    return ", ".join(items) or "none"


def driver(name: str) -> type[Device]:
    """The driver class registered as `name`. Raises Refused('unknown_name') listing the installed ones.

    Raises DeviceFault for one that cannot be loaded or was written for another version of the interface.
    """
    return cast(type[Device], _load(DRIVERS, name, Device))


def link_kind(name: str) -> type[LinkKind]:
    """The link class registered as `name`. Raises Refused('unknown_name'), DeviceFault as `driver`."""
    return cast("type[LinkKind]", _load(LINKS, name, Link))
