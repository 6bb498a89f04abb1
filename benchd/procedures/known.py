"""What is known at one point of a procedure file, for the check: names, answers, findings, and samples of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.procedures.arguments import Ask
from benchd.procedures.inputs import FACTS
from benchd.procedures.scope import Scope


@dataclass
class Known:
    """What is known at one point of the file: the values names stand for, answers saved, findings made, readings taken
    by their names; and whether any way to here has swept."""

    scope: Scope
    answers: dict[str, Ask] = field(default_factory=dict)
    findings: frozenset[str] = frozenset()
    readings: frozenset[str] = frozenset()
    swept: bool = False

    def copy(self) -> Known:
        return Known(self.scope, dict(self.answers), self.findings, self.readings, self.swept)

    def take(self, other: Known) -> None:
        self.scope, self.answers, self.findings = other.scope, other.answers, other.findings
        self.readings, self.swept = other.readings, self.swept or other.swept

    def merge(self, one: Known, other: Known) -> None:
        """Keep what is known whichever of two ways was gone."""
        self.answers = {name: ask for name, ask in one.answers.items() if name in other.answers}
        self.findings = one.findings & other.findings
        self.readings, self.swept = one.readings & other.readings, one.swept or other.swept
        both = {name: value for name, value in one.scope.values.items() if name in other.scope.values}
        self.scope = Scope(both, one.scope.kinds, one.scope.facts)


def some_answer(ask: Ask) -> Any:
    """Some answer that the question may get."""
    answers: dict[str, Any] = {"yes_no": True, "confirm": True, "number": 1.0, "mark": "sharp", "text": "x"}
    return ask.choices[0] if ask.kind == "choice" else answers[ask.kind]


def some_facts(kind: str, name: str) -> Mapping[str, Any]:
    """Figures of no record in particular."""
    return dict.fromkeys(FACTS[kind], 1.0)
