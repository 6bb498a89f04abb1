"""Questions at a real terminal: what was typed before one was read does not answer it.

The command line runs on a pseudo-terminal, which queues lines as any terminal does; broker and gates are real.
"""

from __future__ import annotations

import argparse
import asyncio
import fcntl
import os
import sys
import termios
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from benchd.cli.speak import with_bench
from benchd.client import BenchClient
from benchd.commands.address import CommandAddress
from benchd.commands.intake import Request
from benchd.testing.mqtt_rig import MqttRig, until
from tests.cli.test_against_broker import ABOUT, PROCEDURE, stands

RUN = "r-0001"
BRIDGE, TIP = ("a-bridge", "Bridge off the bench?"), ("a-tip", "Tip on the target?")
OFFERED = "[Enter when it is so; or abort]"


class Person:
    """Somebody at a terminal in which `benchd run` goes on; `seen` is what stands there."""

    def __init__(self, run_folder: Path) -> None:
        self._xdg = str(run_folder.parent)
        self._window, self._terminal = os.openpty()
        self.seen = ""

    async def __aenter__(self) -> Person:
        asyncio.get_running_loop().add_reader(self._window, self._look)
        self.process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "benchd.cli.main", "run", "asks",
            stdin=self._terminal, stdout=self._terminal, stderr=self._terminal, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # Ctrl-C and the queue are this terminal's
            env={**os.environ, "XDG_RUNTIME_DIR": self._xdg, "TERM": "dumb"},
        )  # fmt: skip
        return self

    async def __aexit__(self, *_: object) -> None:
        if self.process.returncode is None:
            self.process.kill()
        await self.process.wait()
        asyncio.get_running_loop().remove_reader(self._window)
        os.close(self._terminal)
        os.close(self._window)

    def _look(self) -> None:
        self.seen += os.read(self._window, 4096).decode()

    def types(self, text: str) -> None:
        os.write(self._window, text.encode())

    async def follows(self, rig: MqttRig) -> None:
        """Until the command line listens to the bench, with its own hand on Ctrl-C."""
        async with asyncio.timeout(120.0):
            while "The carriage is homed." not in self.seen:
                rig.events.tell("homed", "The carriage is homed.", severity="info")
                await asyncio.sleep(0.1)

    async def sees(self, text: str, times: int = 1) -> None:
        try:
            await until(lambda: self.seen.count(text) >= times, within_s=120.0)
        except TimeoutError:
            raise AssertionError(f"{text!r} is not to be seen in {self.seen!r}") from None


class Questions:
    """A run that puts one question after another, each when the one before it is answered."""

    def __init__(self, rig: MqttRig, *asks: tuple[str, str]) -> None:
        self._rig = rig
        self._asks = list(asks)
        self.answered: list[str] = []
        rig.intake._handlers["run"] = self._run
        rig.intake._handlers["answer"] = self._answer

    async def _run(self, request: Request) -> dict[str, Any]:
        self.cause = request.id
        self._tell(None)
        return {"run": RUN}

    async def _answer(self, request: Request) -> dict[str, Any]:
        self.answered.append(request.args.ask)
        self.put()
        return {"value": request.args.value}

    def put(self) -> None:
        """The next question, or the end."""
        if self._asks:
            ask, text = self._asks.pop(0)
            self._tell({"ask": ask, "name": ask, "kind": "confirm", "text": text, "choices": [], "unit": None})
        else:
            self._rig.notices.put("procedure", {**PROCEDURE, "run": RUN, "procedure": "asks", "state": "done"})
            self._rig.events.tell("done", f"Run {RUN} (asks) is done.", severity="info", cause=self.cause)

    def _tell(self, ask: dict[str, Any] | None) -> None:
        state = "running" if ask is None else "asking"
        self._rig.notices.put("procedure", {**PROCEDURE, "run": RUN, "procedure": "asks", "state": state, "ask": ask})


@pytest.fixture
async def person(rig: MqttRig, run_folder: Path) -> AsyncIterator[Person]:
    stands(rig)
    procedures = {"asks": {"title": "Asks", "needs": {}, "inputs": {}}}
    rig.notices.put("about", {**ABOUT, "procedures": procedures})
    async with Person(run_folder) as person:
        yield person


async def test_enters_typed_ahead_answer_no_question(rig: MqttRig, person: Person) -> None:
    """Three quick Enters answered 'bridge off the bench' and 'tip on the target', which nobody had seen yet."""
    run = Questions(rig, BRIDGE, TIP)
    await person.follows(rig)
    person.types("\n\n\n")
    await asyncio.sleep(0.3)
    run.put()
    await person.sees(OFFERED)
    await asyncio.sleep(1.0)
    assert run.answered == []
    assert "What was typed before this question is not taken for its answer." in person.seen
    person.types("\n\n\n")  # the first of them answers what stands there, and no other what does not stand there yet
    await person.sees(TIP[1])
    await asyncio.sleep(1.0)
    assert run.answered == ["a-bridge"]
    person.types("\n")
    await person.sees("is done")
    assert run.answered == ["a-bridge", "a-tip"]


async def test_an_answer_that_comes_before_the_question_can_be_read_is_told_and_asked_for_again(
    rig: MqttRig, person: Person
) -> None:
    run = Questions(rig, BRIDGE)
    await person.follows(rig)
    run.put()
    await person.sees(OFFERED)
    person.types("\n")
    await person.sees("That came sooner than it can have been read; once more.")
    await person.sees(OFFERED, times=2)
    await asyncio.sleep(1.0)
    assert run.answered == []
    person.types("\n")
    await person.sees("is done")
    assert run.answered == ["a-bridge"]


async def test_an_answer_that_was_begun_at_once_is_whole_when_it_is_ended(rig: MqttRig, person: Person) -> None:
    run = Questions(rig, BRIDGE)
    await person.follows(rig)
    run.put()
    await person.sees(OFFERED)
    person.types("no")
    await asyncio.sleep(1.0)
    person.types("pe\n")
    await person.sees("ress Enter, or type abort.")
    assert run.answered == []
    await asyncio.sleep(1.0)
    person.types("yes\n")
    await person.sees("is done")


@pytest.mark.parametrize("becomes", ["paused", "failed"])
async def test_ctrl_c_says_that_the_run_is_paused_where_the_bench_says_so(
    rig: MqttRig, person: Person, becomes: str
) -> None:
    """In homing it said 'paused: resume goes on', and then 'failed': what homes and is stopped has lost its place."""
    run = Questions(rig)
    await person.follows(rig)
    person.types("\x03")
    await until(lambda: bool(rig.stops), within_s=120.0)
    rig.notices.put("procedure", {**PROCEDURE, "run": RUN, "procedure": "asks", "state": becomes})
    if becomes == "paused":
        await person.sees(f"{RUN} is paused: `benchd do resume run={RUN}` goes on")
        return
    rig.events.tell("stopped", f"Run {RUN} (asks) was stopped by wall.", cause=run.cause, data={"user": "wall"})
    await person.sees(f"Run {RUN} (asks) was stopped by wall: it has failed.")
    assert await person.process.wait() == 1
    assert "is paused" not in person.seen


async def test_what_a_stranger_is_refused_stands_in_my_run_with_his_name(rig: MqttRig, person: Person) -> None:
    Questions(rig)
    await person.follows(rig)
    payload = b'{"id":"x1","args":{"by_um":1}}'
    await rig.intake.handle(CommandAddress("bob", "move"), payload)
    await person.sees("WARNING 'move' of bob was refused: ")


async def test_ctrl_c_before_anything_was_asked_says_so(
    rig: MqttRig, run_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It said 'Interrupted.' and no more: nobody knew whether a run had begun."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(run_folder.parent))
    stands(rig)
    args = argparse.Namespace(bench=None, host=None, port=None, user="anna", password_file=None, ca_file=None)

    async def interrupted(bench: BenchClient) -> int:
        raise KeyboardInterrupt

    def command() -> str:
        with pytest.raises(KeyboardInterrupt) as told:
            with_bench(args, interrupted)
        return str(told.value)

    assert await asyncio.to_thread(command) == "Interrupted before anything was asked of the bench."


async def test_ctrl_c_while_a_run_is_asked_for_says_that_nobody_knows(rig: MqttRig, person: Person) -> None:
    asked = asyncio.Event()

    async def slow(request: Request) -> dict[str, Any]:
        asked.set()
        await asyncio.sleep(60.0)
        return {"run": RUN}

    rig.intake._handlers["run"] = slow
    await asyncio.wait_for(asked.wait(), 20.0)
    person.types("\x03")
    await person.sees("Interrupted; whether `run` was carried out is not known here: `benchd status` tells.")
    assert await person.process.wait() == 1
