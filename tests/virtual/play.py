"""Plays a schedule on a bench of its own, under all rules, and cuts one that breaks a rule down to what it takes."""

from __future__ import annotations

import asyncio
import logging
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, MutableMapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import structlog

from benchd.errors import BenchdError
from benchd.testing.virtual_time import EndlessWait
from tests.virtual.ends.broker_connection import MemoryClient
from tests.virtual.ends.broker_end import Published
from tests.virtual.everybody import Everybody
from tests.virtual.lab import Lab, run
from tests.virtual.moments import Moments
from tests.virtual.pressed import has_switches
from tests.virtual.rigs import with_switches
from tests.virtual.rules import rules_of
from tests.virtual.schedule import Step
from tests.virtual.witness import Broken, Witness
from tests.virtual.words import checked

QUIET_S = 30.0
"""After the last step, in which all that was begun may end."""
STARTS_AGAIN_S = 2.0


@dataclass
class Outcome:
    """What was seen in one history of one bench."""

    broken: list[Broken] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    lines: list[str] = field(default_factory=list)
    seconds: float = 0.0


def play(steps: Sequence[Step], seed: int, *, curves: bool = False, memory: Path = Path("/dev/shm")) -> Outcome:
    """Play the steps on the bench of this seed, which takes pictures or reads `curves`.

    Raises ValueError for a step that nobody can play.
    """
    checked(steps)
    outcome = Outcome()
    folder = Path(tempfile.mkdtemp(prefix="benchd-", dir=memory if memory.is_dir() else None))
    try:
        run(_play(sorted(steps, key=lambda step: step.at_s), seed, folder, outcome, curves), seed)
    except EndlessWait as stuck:
        outcome.broken.append(Broken("Endless", outcome.seconds, str(stuck)))
    finally:
        outcome.lines = [line.replace(str(folder), "FOLDER") for line in outcome.lines]
        shutil.rmtree(folder, ignore_errors=True)
    return outcome


async def _play(steps: Sequence[Step], seed: int, folder: Path, outcome: Outcome, curves: bool) -> None:
    def change(bench: Any) -> None:
        if seed % 5 == 2:
            _narrow(bench)
        if has_switches(seed):
            with_switches(bench)

    lab = Lab(folder, seed=seed, curves=curves, change=change)
    loop = asyncio.get_running_loop()
    lab.watched = witness = Witness([], loop.time)
    moments = Moments()
    lab.moment = moments.now
    everybody = Everybody(lab, witness, moments)

    def seen(message: Published) -> None:
        everybody.stranger.hear(message)
        moments.hear(message)
        witness.seen(message)

    def delivered(client: MemoryClient, message: Published) -> None:
        if client.name.startswith("benchd-stop") and message.topic.endswith("/stop") and not message.of_the_daemon:
            witness.stopped()

    async with lab:
        witness.theirs = lab.its_time.now
        witness.obey(rules_of(lab))
        lab.broker.seen = seen
        lab.broker.delivered = delivered
        with _logs(witness.logged):
            loop.set_exception_handler(lambda _, context: witness.logged("error", _text(context)))
            await lab.start_daemon()
            keeping = asyncio.create_task(_keep_up(lab), name="keep it up")
            tasks = []
            for step in steps:
                await asyncio.sleep(step.at_s - loop.time())
                tasks.append(asyncio.create_task(everybody.act(step), name=str(step)))
                if witness.broken:
                    break
            if tasks and not witness.broken:
                await asyncio.wait(tasks, timeout=QUIET_S)
                for _ in range(3):  # a command to a daemon that has no broker just now is lost
                    await everybody.act(Step(round(loop.time(), 3), "alice", "abort"))
                    await asyncio.sleep(QUIET_S / 3)
                if lab.daemon is not None:
                    witness.over()
            for task in tasks:
                task.cancel()
            if tasks:
                await asyncio.wait(tasks)
            await everybody.leave()
            keeping.cancel()
            await lab.end_daemon()
    outcome.broken += witness.broken
    outcome.broken += [Broken("NamedErrors", loop.time(), text) for text in everybody.client_errors]
    outcome.broken += [Broken("DaemonLives", loop.time(), text) for text in lab.fell]
    witness.counts["looked at"] = len(witness.lines)
    outcome.counts, outcome.lines, outcome.seconds = witness.counts, witness.lines, loop.time()


def _narrow(bench: Any) -> None:
    """So much is to be kept free that with a plate the beginning of the travel is out of bounds, and the switch."""
    bench["motion"]["clearance_um"] = 31_700


async def _keep_up(lab: Lab) -> None:
    """As a service manager does: a daemon that could not start is started again."""
    while True:
        await asyncio.sleep(STARTS_AGAIN_S)
        if lab.down:
            continue
        try:
            await lab.start_daemon()
        except BenchdError:
            continue


def _text(context: dict[str, Any]) -> str:
    error = context.get("exception")
    return f"{context.get('message')} {error!r}"


@contextmanager
def _logs(tell: Callable[[str, str], None]) -> Iterator[None]:
    """Give the lines of the log at warning or above to `tell` instead of the terminal."""

    def process(_: Any, method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        if method not in ("debug", "info"):
            tell(method, " ".join(f"{key}={value}" for key, value in event.items()))
        raise structlog.DropEvent

    class Handler(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            tell(record.levelname.lower(), self.format(record))

    handler = Handler(logging.WARNING)
    root = logging.getLogger()
    structlog.configure(processors=[process], cache_logger_on_first_use=False)
    root.addHandler(handler)
    try:
        yield
    finally:
        root.removeHandler(handler)
        structlog.reset_defaults()


def shrunk(
    steps: Sequence[Step], breaks: Callable[[Sequence[Step]], bool], said: Callable[[int], None] = lambda _: None
) -> list[Step]:
    """The fewest steps found that still break the rule: delta debugging (Zeller and Hildebrandt 2002, ddmin).

    `said` is told how many are left. What is left breaks it, and taking any single step away does not, as far as
    `breaks` was asked to the end.
    """
    left, parts = list(steps), 2
    while len(left) >= 2:
        for without in _without_a_part(left, parts):
            if breaks(without):
                left, parts = without, max(parts - 1, 2)
                said(len(left))
                break
        else:
            if parts >= len(left):
                break
            parts = min(len(left), 2 * parts)
    return left


def _without_a_part(steps: Sequence[Step], parts: int) -> Iterable[list[Step]]:
    size = -(-len(steps) // parts)
    for start in range(0, len(steps), size):
        yield [*steps[:start], *steps[start + size :]]
