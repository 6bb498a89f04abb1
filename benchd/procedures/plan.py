"""What a dry run gives: what will move where, what will be asked, how long it will take, what would be refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchd.errors import Refused
from benchd.verbs.entry import Entry


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
        return tuple(said for entry in self.entries if (said := entry.problem_said) is not None)

    def require_possible(self) -> None:
        """Raise Refused, as the first step would that is refused in any case, before anything moves."""
        problems = [(entry.problem, entry.problem_said) for entry in self.entries if not entry.when]
        certain = [(one, said) for one, said in problems if one is not None and one.depends is None]
        if certain:
            first, told = certain[0]
            raise Refused(
                first.code,
                f"'{self.procedure}' could not be carried out: {told}",
                advice=first.advice or "See the whole of it with a dry run.",
                data={"problems": [said for _, said in certain]},
            )

    def as_json(self) -> dict[str, Any]:
        """As answered to a dry `run`."""
        return {
            "procedure": self.procedure,
            "seconds": round(self.seconds, 1),
            "seconds_at_most": round(self.seconds_at_most, 1),
            "asks": list(self.asks),
            "problems": list(self.problems),
            "entries": [entry.as_json() for entry in self.entries],
        }
