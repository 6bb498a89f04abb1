"""Finds classes by entry point, those of benchd and of other packages alike.

An unfit class of a package is refused by itself; others are not affected. Names of benchd's own classes are reserved: a
class of another package with the same name is not used, which is noted at the start.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Collection, Mapping
from difflib import get_close_matches
from functools import cached_property, lru_cache
from importlib.metadata import EntryPoint, EntryPoints, entry_points
from typing import Any, Generic, TypeVar

from benchd.errors import BenchdError, Refused

P = TypeVar("P")

OURS = "benchd"
NAME = re.compile(r"[a-z0-9_-]{1,32}")
"""The same form as for all names in topics."""


def registered(group: str) -> EntryPoints:
    """The entry points of a group, of every installed package; installations while the process runs are not seen."""
    return _on(tuple(sys.path), group)


@lru_cache(maxsize=32)
def _on(_: tuple[str, ...], group: str) -> EntryPoints:
    """Those on such a path: to look through what is installed takes milliseconds, and a start asks twenty times."""
    return entry_points(group=group)


class Plugins(Generic[P]):
    """The classes of one entry point group, subclasses of `base`; `what` is the word for one in texts.

    `api` is the attribute with the interface version that a class was written for, and the present version. `declared`
    are the attributes of a class with their types; `final` the methods that it must not override; `reserved` are names
    that no class may have.
    """

    def __init__(
        self,
        group: str,
        what: str,
        base: type[P],
        *,
        api: tuple[str, int],
        declared: Mapping[str, Any],
        final: Collection[str] = (),
        reserved: Collection[str] = (),
    ) -> None:
        self._group = group
        self._what = what
        self._base = base
        self._api = api
        self._declared = declared
        self._final = final
        self._reserved = reserved
        self._fit: dict[str, type[P]] = {}

    @cached_property
    def _points(self) -> Mapping[str, list[EntryPoint]]:
        """Entry points by name, benchd's own first; read once, so that later installations are not seen."""
        found: dict[str, list[EntryPoint]] = {}
        for point in registered(self._group):
            if point not in found.setdefault(point.name, []):
                found[point.name].append(point)
        return {name: sorted(found[name], key=lambda point: _dist(point) != OURS) for name in sorted(found)}

    def names(self) -> tuple[str, ...]:
        """The installed names, sorted."""
        return tuple(self._points)

    def is_ours(self, name: str) -> bool:
        """Whether the class of that name is benchd's own."""
        return name in self._ours

    @cached_property
    def _ours(self) -> frozenset[str]:
        """Kept, because every datum chain asks and a distribution parses its metadata for its name."""
        return frozenset(name for name, points in self._points.items() if _dist(points[0]) == OURS)

    def package(self, name: str) -> str:
        """The package of the class, with its version."""
        return _package(self._points[name][0])

    def named(self, name: str) -> type[P]:
        """The class of that name. Raises Refused('unknown_name') listing the installed ones.

        Raises BenchdError (device_fault) for one that cannot be loaded, that two packages provide, that was written for
        another version of the interface, or that declares a wrong attribute.
        """
        if name not in self._points:
            near = get_close_matches(name, self.names(), n=1)
            suggestion = f"Did you mean '{near[0]}'? " if near else ""
            text = f"There is no {self._what} '{name}'."
            raise Refused("unknown_name", text, advice=f"{suggestion}Known: {', '.join(self.names())}.")
        if name not in self._fit:
            self._fit[name] = self._load(name)
        return self._fit[name]

    def passed_over(self) -> list[str]:
        """A sentence for each class of another package that is not used because benchd has one of that name."""
        return [
            f"The {self._what} '{name}' of {_package(other)} is not used: it has the name of one of benchd's own."
            for name, points in self._points.items()
            for other in points[1:]
            if self.is_ours(name)
        ]

    def _load(self, name: str) -> type[P]:
        point, *others = self._points[name]
        if others and not self.is_ours(name):
            raise self._unfit(name, f"has a namesake in {' and in '.join(map(_package, others))}")
        try:
            found: Any = point.load()
            if not (isinstance(found, type) and issubclass(found, self._base)):
                what = self._base.__name__.lower()
                raise self._unfit(name, f"is no {what}: {point.value} is not a class of that kind")
            wrong = self._wrong_in(found, name)
        except BenchdError:
            raise
        except (Exception, SystemExit) as error:
            raise self._unfit(name, f"cannot be loaded: {type(error).__name__}: {error}") from error
        if wrong:
            raise self._unfit(name, wrong)
        return found

    def _wrong_in(self, found: type[Any], name: str) -> str:
        """Why a class cannot be used by that name; empty if it can."""
        says, version = self._api
        if (written_for := getattr(found, says)) != version:
            return f"was written for version {written_for} of the interface; this benchd has {version}"
        if NAME.fullmatch(name) is None or getattr(found, "name", None) != name:
            return f"calls itself {getattr(found, 'name', None)!r}, or has a name that is no {NAME.pattern}"
        if name in self._reserved:
            return f"has a name that none may have: {name}"
        if found.__abstractmethods__:
            return f"lacks {' and '.join(sorted(found.__abstractmethods__))}"
        if changed := [key for key in self._final if _function(found, key) is not _function(self._base, key)]:
            return f"has another {' and '.join(changed)}, which are final"
        return next((wrong for key in self._declared if (wrong := self._wrongly_declared(found, key))), "")

    def _wrongly_declared(self, found: type[Any], key: str) -> str:
        from pydantic import TypeAdapter, ValidationError

        value = getattr(found, key, None)
        try:
            TypeAdapter(self._declared[key]).validate_python(value, strict=True)
        except ValidationError as error:
            return f"declares {key} = {value!r}: {error.errors(include_url=False)[0]['msg']}"
        return ""

    def _unfit(self, name: str, why: str) -> BenchdError:
        return BenchdError(
            "device_fault",
            f"The {self._what} '{name}' of {self.package(name)} {why.rstrip('.')}.",
            advice="Install a version of that package that goes with this benchd, or remove it.",
            data={self._what: name},
        )


def _function(owner: type[Any], key: str) -> Any:
    method = getattr(owner, key)
    return getattr(method, "__func__", method)


def _dist(point: EntryPoint) -> str:
    return "" if point.dist is None else point.dist.name


def _package(point: EntryPoint) -> str:
    return point.value if point.dist is None else f"package {point.dist.name} {point.dist.version}"
