"""Questions to the person: the first valid answer counts, and what is valid is said."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from benchd.devices import Ask, DeviceError, Refused
from benchd.devices.values import AskKind
from benchd_drivers.operator import PromptOperator, valid_answer

CHOICES = ("5 more", "leave")


@pytest.fixture
def person() -> PromptOperator:
    return PromptOperator.create("eye", PromptOperator.Config(), None)


@pytest.mark.parametrize(
    ("kind", "value", "taken"),
    [
        ("yes_no", False, False),
        ("confirm", True, True),
        ("choice", "leave", "leave"),
        ("number", 12, 12.0),
        ("number", 0.5, 0.5),
        ("mark", "sharp", "sharp"),
        ("text", "ring is stiff", "ring is stiff"),
    ],
)
def test_valid_answers(kind: AskKind, value: Any, taken: Any) -> None:
    question = Ask("a-1", kind, "Well?", choices=CHOICES if kind == "choice" else (), low=0.0, high=20.0)
    assert valid_answer(question, value) == taken


@pytest.mark.parametrize(
    ("kind", "value", "wanted"),
    [
        ("yes_no", "yes", "true or false"),
        ("yes_no", 1, "true or false"),
        ("confirm", False, "true"),
        ("choice", "stay", "'5 more', 'leave'"),
        ("choice", True, "'5 more'"),
        ("number", True, "a number"),
        ("number", "3", "a number"),
        ("number", float("nan"), "a number"),
        ("number", 21, "from 0 to 20 µm"),
        ("number", -1, "from 0 to 20 µm"),
        ("mark", "blurred", "'sharp'"),
        ("text", 3, "a text"),
        ("text", "x" * 3000, "a text of at most 2000"),
    ],
)
def test_invalid_answers_are_refused_with_what_may_stand(kind: AskKind, value: Any, wanted: str) -> None:
    choices = CHOICES if kind == "choice" else ()
    with pytest.raises(Refused) as caught:
        valid_answer(Ask("a-1", kind, "Well?", choices=choices, unit="um", low=0.0, high=20.0), value)
    assert caught.value.code == "bad_request"
    assert wanted in caught.value.advice


async def test_first_valid_answer_wins(person: PromptOperator) -> None:
    asking = asyncio.create_task(person.ask(Ask("a-55", "yes_no", "Seated?")))
    await asyncio.sleep(0)
    assert [question.ask for question in person.pending] == ["a-55"]
    with pytest.raises(Refused):
        person.answer("a-55", "perhaps", "wall")
    person.answer("a-55", True, "wall")
    with pytest.raises(Refused) as caught:
        person.answer("a-55", False, "desk")
    assert caught.value.code == "not_found"
    assert caught.value.advice == "It may have been answered already."
    answer = await asking
    assert (answer.value, answer.user) == (True, "wall")
    assert person.pending == ()


async def test_unknown_question_is_not_found(person: PromptOperator) -> None:
    with pytest.raises(Refused) as caught:
        person.answer("a-1", True, "wall")
    assert caught.value.code == "not_found"


async def test_cancelled_question_is_withdrawn(person: PromptOperator) -> None:
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.01):
            await person.ask(Ask("a-2", "confirm", "Ready?"))
    assert person.pending == ()


async def test_time_limit_of_a_question(person: PromptOperator) -> None:
    until = (datetime.now(UTC) + timedelta(seconds=0.1)).isoformat()
    with pytest.raises(DeviceError) as caught:
        await person.ask(Ask("a-3", "confirm", "Ready?", until=until))
    assert caught.value.code == "timeout"


async def test_close_ends_waiting_questions(person: PromptOperator) -> None:
    asking = asyncio.create_task(person.ask(Ask("a-4", "confirm", "Ready?")))
    await asyncio.sleep(0)
    await person.close()
    with pytest.raises(DeviceError, match="closed"):
        await asking
