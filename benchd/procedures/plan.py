"""What a dry run gives: what will move where, what will be asked, how long it will take, what would be refused."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from benchd.errors import ErrorCode, Refused


@dataclass(frozen=True, slots=True)
class WouldBeRefused:
    """Why the bench would not do something, the code it would say so with, and what it would advise.

    `depends` says on what it depends whether it comes to that, None where it does in any case.
    """

    text: str
    code: ErrorCode
    advice: str = ""
    depends: str | None = None

    @property
    def said(self) -> str:
        """What it is, and what it depends on."""
        return self.text if self.depends is None else f"{self.text} (depends on {self.depends})"


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


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole of it. `seconds` is what is expected, without what stands under a condition."""

    procedure: str
    entries: tuple[Entry, ...]
    steps: int

    @property
    def seconds(self) -> float:
        """Expected duration of what happens in any case, the person's time apart."""
        return sum(entry.seconds for entry in self.entries if not entry.when)

    @property
    def seconds_at_most(self) -> float:
        """The same with every branch taken, and with the longest search for a focus that is not where it should be."""
        return sum(entry.seconds + entry.seconds_more for entry in self.entries)

    @property
    def asks(self) -> tuple[str, ...]:
        """Every question in its order."""
        return tuple(entry.ask for entry in self.entries if entry.ask is not None)

    @property
    def problems(self) -> tuple[str, ...]:
        """What would be refused, or might be: then it says what that depends on."""
        return tuple(entry.problem.said for entry in self.entries if entry.problem is not None)

    def require_possible(self) -> None:
        """Raise Refused, as the first step would that is refused in any case, before anything moves."""
        problems = [entry.problem for entry in self.entries if entry.problem is not None and not entry.when]
        certain = [problem for problem in problems if problem.depends is None]
        if certain:
            raise Refused(
                certain[0].code,
                f"'{self.procedure}' could not be carried out: {certain[0].text}",
                advice=certain[0].advice or "See the whole of it with a dry run.",
                data={"problems": [one.text for one in certain]},
            )

    def as_json(self) -> dict[str, Any]:
        """As answered to a dry `run`."""
        return {
            "procedure": self.procedure,
            "seconds": round(self.seconds, 1),
            "seconds_at_most": round(self.seconds_at_most, 1),
            "asks": list(self.asks),
            "problems": list(self.problems),
            "entries": [asdict(entry) for entry in self.entries],
        }
