"""Answer a question of a run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchd.verbs.arguments import Args, Code, Text
from benchd.verbs.result import Result
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command


class AnswerArgs(Args):
    """The answer to a question of a procedure; a mark is the text `sharp`."""

    ask: Code
    value: bool | int | float | Text


class Answered(Result):
    """The answer as it was taken."""

    value: bool | int | float | str


class Answer(Verb[AnswerArgs]):
    """The person at the bench answers, also while another user holds control."""

    name = "answer"
    does = "Answer a question of a run; the first valid answer counts."
    args = AnswerArgs
    result = Answered
    role = "answer"
    at_once = True

    async def command(self, args: AnswerArgs, order: Command) -> dict[str, Any]:
        return {"value": order.runs.answer(args.ask, args.value, order.user)}
