"""One line of what would happen, and why it would be refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from benchd.errors import ErrorCode, Refused
from benchd.verbs.foreseen import Why, joined_by_and


@dataclass(frozen=True, slots=True)
class WouldBeRefused:
    """Why the bench would not do something: what it would say, with its code, advice and figures.

    `depends` says on what it depends whether it comes to that, None where it does in any case.
    """

    text: str
    code: ErrorCode
    advice: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)
    depends: str | None = None

    @classmethod
    def certain(cls, refused: Refused) -> WouldBeRefused:
        """A refusal that depends on nothing."""
        return cls(refused.text, refused.code, refused.advice or "", refused.data)

    def refused(self) -> Refused:
        """The exception that the bench itself would raise."""
        return Refused(self.code, self.text, advice=self.advice, data=dict(self.data))


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that will happen, or may (`when`: the conditions it stands under, outermost first).

    `step` is the index of the top-level step it belongs to, None for `finally`; `from_um` and `to_um` are carriage
    places where something moves; `problem` says why it would be refused. A sweep goes to `to_um` first, looks about it
    over `pilot_um`, and reads over `over_um` (lowest and highest place; it lies about the peak that the look finds).
    `reach_um` are the lowest and highest place that a step may bring the carriage to, by whatever way it comes there;
    `seconds_more` is what it takes longer to look so far, or to do what may not be needed. Places are None where they
    depend on what is not known yet; the text says on what.
    """

    verb: str
    text: str
    seconds: float = 0.0
    seconds_more: float = 0.0
    when: tuple[str, ...] = ()
    from_um: float | None = None
    to_um: float | None = None
    pilot_um: tuple[float, float] | None = None
    over_um: tuple[float, float] | None = None
    reach_um: tuple[float, float] | None = None
    ask: str | None = None
    problem: WouldBeRefused | None = None
    step: int | None = None

    @property
    def problem_text(self) -> str | None:
        """The verb, why it would be refused, and what that depends on; None without a problem."""
        if self.problem is None:
            return None
        depends = "" if self.problem.depends is None else f" (depends on {self.problem.depends})"
        return f"{self.verb}: {self.problem.text}{depends}"

    def require_possible(self) -> None:
        """Raise Refused if the refusal is certain."""
        if self.problem is not None and self.problem.depends is None:
            raise self.problem.refused()

    def as_json(self) -> dict[str, Any]:
        """As published in the plan of a dry run."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class TurnEntry(Entry):
    """A turn to a known angle."""

    to_deg: float | None = None

    def as_json(self) -> dict[str, Any]:
        """As any other entry: the text says the angle."""
        return {key: value for key, value in Entry.as_json(self).items() if key != "to_deg"}


def conditional(problem: WouldBeRefused | None, why: Why) -> WouldBeRefused | None:
    """The same problem, depending on `why` as well; a certain one if `why` is empty."""
    if problem is None or not why:
        return problem
    return replace(problem, depends=joined_by_and((*(() if problem.depends is None else (problem.depends,)), *why)))


def may_proceed(problem: WouldBeRefused | None) -> bool:
    """Whether the step may still be carried out: it has no problem, or none that is certain."""
    return problem is None or problem.depends is not None


def most_certain(*problems: WouldBeRefused | None) -> WouldBeRefused | None:
    """The first certain problem, else the first that depends on something; None if there is none."""
    present = [problem for problem in problems if problem is not None]
    return next((problem for problem in present if problem.depends is None), present[0] if present else None)


def plain_text(value: Any) -> str:
    """A JSON value as plain text: no quotes, brackets or capitals of a programming language."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return " + ".join(plain_text(item) for item in value) or "none"
    if isinstance(value, dict):
        return ", ".join(f"{key} {plain_text(item)}" for key, item in value.items())
    return f"{value:g}" if isinstance(value, float) else str(value)
