"""The installed questions, those of benchd and of other packages."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from annotated_types import Ge, Gt

from benchd.errors import BenchdError, Refused
from benchd.plugins import Plugins
from benchd.questions.question import QUESTION_API, Kind, Question, Target
from benchd.questions.wording import Named, Wording

DECLARED: Mapping[str, Any] = {
    "asks": str,
    "of": Kind | None,
    "target": Target | None,
    "arrangement": str | None,
    "arrangement_keys": tuple[str, ...],
    "by_steps": bool,
    "by_modulation": bool,
    "sweeps": Annotated[int, Ge(0)],
    "repeated": Annotated[int, Ge(0)],
    "most_sweeps": Annotated[int, Ge(0)] | None,
    "at_set_up": bool,
    "readings": tuple[str, ...],
    "looks_back": str | None,
    "looks_back_over": Annotated[int, Ge(1)],
    "improves": Mapping[str, str],
    "calibrates": bool,
    "at_most_s": Annotated[float, Gt(0.0)],
    "values": Mapping[str, Named],
    "judged": str | None,
    "drawn": str | None,
}
"""Attributes that a question declares, with their types."""

FINAL = (
    "named",
    "main",
    "judges",
    "interval",
    "draws",
    "check_of",
    "check_sweeps",
    "check_target",
    "check_steps",
    "check_arrangement",
)
"""Methods that the daemon itself calls, which a question must not override."""

QUESTIONS: Plugins[Question] = Plugins(
    "benchd.questions",
    "assessment",
    Question,
    api=("question_api", QUESTION_API),
    declared=DECLARED,
    final=FINAL,
)


def names() -> tuple[str, ...]:
    """The names of the installed questions, sorted."""
    return QUESTIONS.names()


def question(name: str) -> type[Question]:
    """The question of that name. Raises Refused('unknown_name'), and BenchdError (device_fault) for an unfit one."""
    return QUESTIONS.named(name)


def wording_of(doc: Mapping[str, Any]) -> type[Wording]:
    """The wording for a finding; the plain one if its question is not installed, or unfit."""
    try:
        return question(str(doc["assessment"]))
    except BenchdError:
        return Wording


def of_a_sweep() -> str:
    """The question that a sweep by itself is taken to answer: one that needs one sweep and nothing else, ours first.

    Raises Refused('unknown_name') where none is installed.
    """
    ours_first = sorted(names(), key=lambda name: not QUESTIONS.is_ours(name))
    for name in ours_first:
        if _needs_one_sweep(name):
            return name
    advice = "Take the sweep in a procedure that assesses it."
    raise Refused("unknown_name", "No question that is installed is answered by one sweep.", advice=advice)


def _needs_one_sweep(name: str) -> bool:
    try:
        asked = question(name)
    except BenchdError:
        return False
    return asked.sweeps == 1 and not asked.readings and asked.of is None and asked.looks_back is None


def calibrating() -> tuple[str, ...]:
    """The questions whose findings may come into force, without those that are unfit."""
    return tuple(name for name in names() if calibrates(name))


def calibrates(name: str) -> bool | None:
    """Whether a finding of that name may come into force; None if there is no such question, or it is unfit."""
    try:
        return question(name).calibrates
    except BenchdError:
        return None


def passed_over() -> list[str]:
    """A sentence for each question of another package that is not used because benchd has one of that name."""
    return QUESTIONS.passed_over()
