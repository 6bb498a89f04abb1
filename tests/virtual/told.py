"""A rule that is told by hand what a history would tell it, and when."""

from __future__ import annotations

from typing import Any

from tests.virtual.witness import Watched


class Told:
    """A rule whose clock is set by hand, and what it found."""

    def __init__(self, rule: Watched) -> None:
        self.rule, self.now_s, self.broken = rule, 0.0, list[str]()
        rule.now = rule.clock = lambda: self.now_s
        rule.fail, rule.count = self.broken.append, lambda _: None

    def at(self, now_s: float) -> Any:
        """The rule, at this time."""
        self.now_s = now_s
        self.rule.passed()
        return self.rule


def carriage(homed: bool, state: str = "idle") -> dict[str, Any]:
    return {"homed": homed, "state": state}


def reply(ident: str, ok: bool = True, **result: Any) -> dict[str, Any]:
    return {"id": ident, "ok": ok, "result": result}


def event(ident: str | None, text: str = "'move' is done.") -> dict[str, Any]:
    return {"cause": ident, "text": text, "code": "done", "data": {}}
