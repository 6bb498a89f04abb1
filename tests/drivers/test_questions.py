"""Bytes that come in the very moment in which an answer is on its way to whoever asked."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import cast

import pytest

from benchd.devices import LinkTimeout, line
from benchd_drivers.channel import Channel
from benchd_drivers.link.questions import Questions
from benchd_drivers.link.ring import Ring
from benchd_drivers.link.thread import PortThread


class Wire:
    """A port that takes every frame at once; what it was told, and whether more was asked."""

    def __init__(self) -> None:
        self.told: list[bytes] = []
        self.asked = asyncio.Event()

    def put(self, data: bytes, written: Callable[[float], None]) -> object:
        self.told.append(data)
        written(time.monotonic())
        self.asked.set()
        return data

    def withdraw(self, ticket: object) -> bool:
        return False


async def after_a_lost_answer() -> tuple[Questions, Wire, Channel[bytes]]:
    """One answer is owed from here on."""
    wire, lines = Wire(), Channel[bytes]()
    questions = Questions("counter", 4096, lambda: cast("PortThread", wire), lines, Ring())
    with pytest.raises(LinkTimeout):
        await questions.ask(b"?\n", line(), 0.05)
    wire.asked.clear()
    return questions, wire, lines


async def test_a_late_answer_and_the_next_in_one_moment() -> None:
    """The second one was dropped as a line that nobody had asked for, and the first one taken for it."""
    questions, wire, _ = await after_a_lost_answer()
    asked = asyncio.create_task(questions.ask(b"?\n", line(), 1.0))
    await wire.asked.wait()
    questions.received(b"1\n")
    questions.received(b"2\n")
    assert await asked == b"2\n"


async def test_what_comes_behind_an_answer_goes_to_who_listens_for_lines() -> None:
    questions, wire, lines = await after_a_lost_answer()
    heard = lines.listen()
    asked = asyncio.create_task(questions.ask(b"?\n", line(), 1.0))
    await wire.asked.wait()
    questions.received(b"2\n")
    assert await asked == b"2\n"
    wire.asked.clear()
    asked = asyncio.create_task(questions.ask(b"?\n", line(), 1.0))
    await wire.asked.wait()
    questions.received(b"3\n")
    questions.received(b"ALARM:1\n")
    assert await asked == b"3\n"
    assert await anext(heard) == b"ALARM:1"
