"""The result of a dry run: motions, questions, duration, and what would be refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchd.errors import Refused
from benchd.verbs.entry import Entry


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan of a procedure. `seconds` is the expected duration, without entries under a condition."""

    procedure: str
    entries: tuple[Entry, ...]
    steps: int

    @property
    def seconds(self) -> float:
        """Expected duration of the unconditional entries, without the person's time."""
        return sum(entry.seconds for entry in self.entries if not entry.when)

    @property
    def seconds_at_most(self) -> float:
        """The same with every branch taken, and with the longest search for a focus that is not where it should be."""
        return sum(entry.seconds + entry.seconds_more for entry in self.entries)

    @property
    def asks(self) -> tuple[str, ...]:
        """Every question, in order."""
        return tuple(entry.ask for entry in self.entries if entry.ask is not None)

    @property
    def problems(self) -> tuple[str, ...]:
        """What would be refused, or might be: then the text says what that depends on."""
        return tuple(text for entry in self.entries if (text := entry.problem_text) is not None)

    def require_possible(self) -> None:
        """Raise Refused, as the first step would that is certainly refused, before anything moves."""
        problems = [(entry.problem, entry.problem_text) for entry in self.entries if not entry.when]
        certain = [(problem, text) for problem, text in problems if problem is not None and problem.depends is None]
        if certain:
            first, first_text = certain[0]
            raise Refused(
                first.code,
                f"'{self.procedure}' could not be carried out: {first_text}",
                advice=first.advice or "See the whole of it with a dry run.",
                data={"problems": [text for _, text in certain]},
            )

    def as_json(self) -> dict[str, Any]:
        """The answer to a dry `run`."""
        return {
            "procedure": self.procedure,
            "seconds": round(self.seconds, 1),
            "seconds_at_most": round(self.seconds_at_most, 1),
            "asks": list(self.asks),
            "problems": list(self.problems),
            "entries": [entry.as_json() for entry in self.entries],
        }
