"""Finds questions by entry point, so that ours and anybody's are found the same way."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from benchd.errors import BenchdError, Refused
from benchd.questions.question import QUESTION_API, Question
from benchd.questions.wording import Wording

QUESTIONS = "benchd.questions"


def names() -> tuple[str, ...]:
    """The questions that are installed, sorted."""
    return tuple(sorted({point.name for point in entry_points(group=QUESTIONS)}))


def question(name: str) -> Question:
    """The question of that name. Raises Refused('unknown_name') with those that there are.

    Raises BenchdError (device_fault) for one that cannot be loaded, that two packages bring, or that was written for
    another version of the interface.
    """
    points = tuple(entry_points(group=QUESTIONS, name=name))
    if not points:
        near = get_close_matches(name, names(), n=1)
        meant = f"Did you mean '{near[0]}'? " if near else ""
        raise Refused(
            "unknown_name", f"There is no assessment '{name}'.", advice=f"{meant}Known: {', '.join(names())}."
        )
    if len({point.value for point in points}) > 1:
        raise _unfit(name, points[0], f"is another one in {_package(points[1])}")
    try:
        found: Any = points[0].load()
        made = found() if isinstance(found, type) and issubclass(found, Question) else None
    except (Exception, SystemExit) as error:
        raise _unfit(name, points[0], f"cannot be loaded: {type(error).__name__}: {error}") from error
    if made is None:
        raise _unfit(name, points[0], f"is no question: {points[0].value} is not a class of that kind")
    if made.question_api != QUESTION_API:
        why = f"was written for version {made.question_api} of the interface; this benchd has {QUESTION_API}"
        raise _unfit(name, points[0], why)
    if getattr(made, "name", None) != name or not isinstance(getattr(made, "asks", None), str):
        raise _unfit(name, points[0], f"does not say what it asks, or calls itself {getattr(made, 'name', None)!r}")
    return made


def wording_of(doc: Mapping[str, Any]) -> Wording:
    """The words for a finding; the plain ones where its question is not installed, or unfit."""
    try:
        return question(str(doc["assessment"]))
    except BenchdError:
        return Wording()


def calibrating() -> tuple[str, ...]:
    """The questions whose findings may come into force; one that cannot be loaded is none."""
    return tuple(name for name in names() if calibrates(name))


def calibrates(name: str) -> bool | None:
    """Whether a finding of that name may come into force; None where there is no such question that can be asked."""
    try:
        return question(name).calibrates
    except BenchdError:
        return None


def _unfit(name: str, point: EntryPoint, why: str) -> BenchdError:
    return BenchdError(
        "device_fault",
        f"The assessment '{name}' of {_package(point)} {why.rstrip('.')}.",
        advice="Install a version of that package that goes with this benchd, or remove it.",
        data={"assessment": name},
    )


def _package(point: EntryPoint) -> str:
    return point.value if point.dist is None else f"package {point.dist.name} {point.dist.version}"
