"""Questions of a run: one at a time, put to the person as a device, visible in the state of the procedure."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from typing import Any

from benchd.bench.bench import Bench
from benchd.devices import Ask, Operator
from benchd.devices.values import AskKind


class Prompts:
    """Asks through the bench's operator; `changed` is called when a question opens or closes."""

    def __init__(self, bench: Bench, changed: Callable[[], None]) -> None:
        self._operator = next(d for d in bench.assembly.devices.values() if isinstance(d, Operator))
        self._changed = changed
        self._open: dict[str, Any] | None = None

    @property
    def open(self) -> dict[str, Any] | None:
        """The question that waits, as published: ask, name, kind, text, choices, unit, until."""
        return self._open

    async def ask(
        self, name: str | None, kind: AskKind, text: str, choices: Sequence[str] = (), unit: str | None = None
    ) -> Any:
        """Put a question and wait for the first valid answer, whoever gives it.

        Its id cannot be guessed and is never used again: who names it has heard the question.
        """
        question = Ask(f"a-{secrets.token_hex(6)}", kind, text, tuple(choices), unit)
        self._open = {
            "ask": question.ask,
            "name": name,
            "kind": kind,
            "text": text,
            "choices": list(choices),
            "unit": unit,
            "until": None,
        }
        self._changed()
        try:
            return (await self._operator.ask(question)).value
        finally:
            self._open = None
            self._changed()

    def answer(self, ask: str, value: Any, user: str) -> Any:
        """Hand an answer in; gives the value taken. Raises Refused (not_found, bad_request)."""
        return self._operator.answer(ask, value, user).value
