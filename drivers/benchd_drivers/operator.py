"""The person at the bench as a device: questions wait here until somebody gives a valid answer."""

from __future__ import annotations

import asyncio
import math
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict

from benchd.devices import Answer, Ask, Clock, DeviceError, Health, Identity, Link, Operator, Refused, printed_unit

LONGEST_TEXT = 2000


def valid_answer(question: Ask, value: Any) -> Any:
    """`value` as an answer to `question`, numbers as float. Raises Refused('bad_request') saying what may stand."""
    match question.kind:
        case "yes_no":
            if isinstance(value, bool):
                return value
            wanted = "true or false"
        case "confirm":
            if value is True:
                return True
            wanted = "true (or abort the procedure)"
        case "choice":
            if isinstance(value, str) and value in question.choices:
                return value
            wanted = "one of " + ", ".join(f"'{choice}'" for choice in question.choices)
        case "number":
            number = isinstance(value, int | float) and not isinstance(value, bool)
            low, high = question.low, question.high
            if number and math.isfinite(value) and (low is None or value >= low) and (high is None or value <= high):
                return float(value)
            unit = f" {printed_unit(question.unit)}" if question.unit else ""
            wanted = f"a number{'' if low is None else f' from {low:g}'}{'' if high is None else f' to {high:g}'}{unit}"
        case "mark":
            if isinstance(value, str) and value in (question.choices or ("sharp",)):
                return value
            wanted = "one of " + ", ".join(f"'{choice}'" for choice in question.choices or ("sharp",))
        case "text":
            if isinstance(value, str) and len(value) <= LONGEST_TEXT:
                return value
            wanted = f"a text of at most {LONGEST_TEXT} characters"
    raise Refused("bad_request", f"'{str(value)[:60]}' is no answer to '{question.text}'.", advice=f"Give {wanted}.")


class PromptOperatorConfig(BaseModel):
    """Nothing to configure."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class PromptOperator(Operator):
    """Everyone connected is asked; `answer` takes the first valid answer, from anyone who may give it."""

    Config = PromptOperatorConfig

    def __init__(self, name: str) -> None:
        self.name = name
        self._clock = Clock()
        self._open: dict[str, tuple[Ask, asyncio.Future[Answer]]] = {}

    @classmethod
    def create(cls, name: str, config: PromptOperatorConfig, link: Link | None) -> PromptOperator:
        if link is not None:
            raise ValueError("link: none; a person is asked over MQTT")
        return cls(name)

    async def open(self) -> Identity:
        return Identity(model="person")

    async def close(self) -> None:
        for question, waiting in self._open.values():
            if not waiting.done():
                waiting.set_exception(DeviceError(f"'{question.text}' was not answered: closed.", device=self.name))

    async def health(self) -> Health:
        return Health("ok")

    @property
    def pending(self) -> tuple[Ask, ...]:
        """The questions that wait, oldest first."""
        return tuple(question for question, waiting in self._open.values() if not waiting.done())

    async def ask(self, question: Ask) -> Answer:
        """Wait for the first valid answer. Raises DeviceError('timeout') after `until`, ValueError for an id in use."""
        if question.ask in self._open:
            raise ValueError(f"a question '{question.ask}' is waiting already")
        waiting: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._open[question.ask] = (question, waiting)
        try:
            async with asyncio.timeout(self._seconds_left(question)):
                return await waiting
        except TimeoutError:
            raise DeviceError(
                f"'{question.text}' was not answered in time.", device=self.name, code="timeout"
            ) from None
        finally:
            del self._open[question.ask]

    def _seconds_left(self, question: Ask) -> float | None:
        """The wall clock is looked at once; the waiting itself does not mind when it is set."""
        if question.until is None:
            return None
        now = datetime.fromisoformat(self._clock.utc())
        return max(0.0, (datetime.fromisoformat(question.until) - now).total_seconds())

    def answer(self, ask_id: str, value: Any, user: str) -> Answer:
        """Take an answer. Raises Refused: 'not_found' (no such question, or answered already), 'bad_request'."""
        question, waiting = self._open.get(ask_id, (None, None))
        if question is None or waiting is None or waiting.done():
            raise Refused(
                "not_found", f"No question '{ask_id}' waits for an answer.", advice="It may have been answered already."
            )
        answer = Answer(ask_id, valid_answer(question, value), user, self._clock.utc())
        waiting.set_result(answer)
        return answer
