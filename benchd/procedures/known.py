"""For the static check: names, answers and findings known at one point of a procedure file, and sample values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.procedures.arguments import Ask
from benchd.procedures.inputs import FACTS
from benchd.procedures.scope import Scope


@dataclass
class Known:
    """Known at one point of the file: values of names, saved answers, findings made, readings kept, by name.

    `swept`: whether any branch to this point takes a sweep.
    """

    scope: Scope
    answers: dict[str, Ask] = field(default_factory=dict)
    findings: frozenset[str] = frozenset()
    readings: frozenset[str] = frozenset()
    swept: bool = False

    def copy(self) -> Known:
        return Known(self.scope, dict(self.answers), self.findings, self.readings, self.swept)

    def adopt(self, other: Known) -> None:
        self.scope, self.answers, self.findings = other.scope, other.answers, other.findings
        self.readings, self.swept = other.readings, self.swept or other.swept

    def merge(self, first: Known, second: Known) -> None:
        """Keep what is known in both branches."""
        self.answers = {name: ask for name, ask in first.answers.items() if name in second.answers}
        self.findings = first.findings & second.findings
        self.readings, self.swept = first.readings & second.readings, first.swept or second.swept
        both = {name: value for name, value in first.scope.values.items() if name in second.scope.values}
        self.scope = Scope(both, first.scope.kinds, first.scope.facts)


def some_answer(ask: Ask) -> Any:
    """A sample answer to the question."""
    answers: dict[str, Any] = {"yes_no": True, "confirm": True, "number": 1.0, "mark": "sharp", "text": "x"}
    return ask.choices[0] if ask.kind == "choice" else answers[ask.kind]


def some_facts(kind: str, name: str) -> Mapping[str, Any]:
    """Sample figures of a record."""
    return dict.fromkeys(FACTS[kind], 1.0)
