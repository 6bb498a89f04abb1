"""Finds questions by entry point, so that ours and anybody's are found the same way.

A package that brings an unfit one costs that question alone. The names of our own are ours: a namesake is not used,
and told of at the start.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Annotated, Any

from annotated_types import Ge, Gt

from benchd.errors import BenchdError, Refused
from benchd.questions.question import QUESTION_API, Kind, Question, Target
from benchd.questions.wording import Named, Wording

QUESTIONS = "benchd.questions"
OURS = "benchd"
NAME = re.compile(r"[a-z0-9_-]{1,32}")
"""As of everything that stands in a topic."""

DECLARED: Mapping[str, Any] = {
    "asks": str,
    "of": Kind | None,
    "target": Target | None,
    "sweeps": Annotated[int, Ge(0)],
    "most_sweeps": Annotated[int, Ge(0)] | None,
    "at_set_up": bool,
    "readings": tuple[str, ...],
    "improves": Mapping[str, str],
    "calibrates": bool,
    "at_most_s": Annotated[float, Gt(0.0)],
    "values": Mapping[str, Named],
    "judged": str | None,
    "drawn": str | None,
}
"""What a question says of itself, with the type of each."""

FINAL = ("named", "main", "judges", "interval", "draws", "check_of", "check_sweeps", "check_target")
"""What the daemon itself asks of it."""


@cache
def _points() -> Mapping[str, tuple[EntryPoint, ...]]:
    """By name, in the order found; what is installed while a process runs is not seen by it."""
    found: dict[str, tuple[EntryPoint, ...]] = {}
    for point in entry_points(group=QUESTIONS):
        if point not in found.get(point.name, ()):
            found[point.name] = (*found.get(point.name, ()), point)
    return found


def names() -> tuple[str, ...]:
    """The questions that are installed, sorted."""
    return tuple(sorted(_points()))


def question(name: str) -> type[Question]:
    """The question of that name. Raises Refused('unknown_name') with those that there are.

    Raises BenchdError (device_fault) for one that cannot be loaded, that two packages bring, that was written for
    another version of the interface, or that declares what cannot be.
    """
    if name not in _points():
        near = get_close_matches(name, names(), n=1)
        meant = f"Did you mean '{near[0]}'? " if near else ""
        text = f"There is no assessment '{name}'."
        raise Refused("unknown_name", text, advice=f"{meant}Known: {', '.join(names())}.")
    return _fit(name)


@cache
def _fit(name: str) -> type[Question]:
    point, *others = _of_ours_first(name)
    if others and _dist(point) != OURS:
        raise _unfit(name, point, f"has a namesake in {' and in '.join(map(_package, others))}")
    try:
        found: Any = point.load()
        if not (isinstance(found, type) and issubclass(found, Question)):
            raise _unfit(name, point, f"is no question: {point.value} is not a class of that kind")
        wrong = _wrong_in(found, name)
    except BenchdError:
        raise
    except (Exception, SystemExit) as error:
        raise _unfit(name, point, f"cannot be loaded: {type(error).__name__}: {error}") from error
    if wrong:
        raise _unfit(name, point, wrong)
    return found


def _wrong_in(found: type[Question], name: str) -> str:
    """What keeps a class from being used as the question of that name; empty where nothing does."""
    if found.question_api != QUESTION_API:
        return f"was written for version {found.question_api} of the interface; this benchd has {QUESTION_API}"
    if NAME.fullmatch(name) is None or getattr(found, "name", None) != name:
        return f"calls itself {getattr(found, 'name', None)!r}, or has a name that is no {NAME.pattern}"
    if found.__abstractmethods__:
        return f"lacks {' and '.join(sorted(found.__abstractmethods__))}"
    if changed := [key for key in FINAL if getattr(found, key).__func__ is not getattr(Question, key).__func__]:
        return f"has another {' and '.join(changed)}, which are final"
    return next((wrong for key in DECLARED if (wrong := _wrongly_declared(found, key))), "")


def _wrongly_declared(found: type[Question], key: str) -> str:
    from pydantic import TypeAdapter, ValidationError

    value = getattr(found, key, None)
    try:
        TypeAdapter(DECLARED[key]).validate_python(value, strict=True)
    except ValidationError as error:
        return f"declares {key} = {value!r}: {error.errors(include_url=False)[0]['msg']}"
    return ""


def wording_of(doc: Mapping[str, Any]) -> type[Wording]:
    """The words for a finding; the plain ones where its question is not installed, or unfit."""
    try:
        return question(str(doc["assessment"]))
    except BenchdError:
        return Wording


def calibrating() -> tuple[str, ...]:
    """The questions whose findings may come into force; one that cannot be asked is none."""
    return tuple(name for name in names() if calibrates(name))


def calibrates(name: str) -> bool | None:
    """Whether a finding of that name may come into force; None where there is no such question that can be asked."""
    try:
        return question(name).calibrates
    except BenchdError:
        return None


def passed_over() -> list[str]:
    """A sentence for each question of another package that is not used, as it has the name of one of ours."""
    return [
        f"The assessment '{name}' of {_package(other)} is not used: it has the name of one of benchd's own."
        for name in names()
        for other in _of_ours_first(name)[1:]
        if _dist(_of_ours_first(name)[0]) == OURS
    ]


def _of_ours_first(name: str) -> list[EntryPoint]:
    return sorted(_points()[name], key=lambda point: _dist(point) != OURS)


def _dist(point: EntryPoint) -> str:
    return "" if point.dist is None else point.dist.name


def _unfit(name: str, point: EntryPoint, why: str) -> BenchdError:
    return BenchdError(
        "device_fault",
        f"The assessment '{name}' of {_package(point)} {why.rstrip('.')}.",
        advice="Install a version of that package that goes with this benchd, or remove it.",
        data={"assessment": name},
    )


def _package(point: EntryPoint) -> str:
    return point.value if point.dist is None else f"package {point.dist.name} {point.dist.version}"
