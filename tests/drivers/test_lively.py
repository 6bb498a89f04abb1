"""The heart beside the loop tells a driver that blocks from a machine that does."""

from __future__ import annotations

import asyncio
import gc
import re
import signal
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable

import pytest

from benchd.testing.lively import Beat, lively_loop, longest_alone


async def blocks() -> None:
    await asyncio.sleep(0.02)
    time.sleep(1.0)  # noqa: ASYNC251  what no driver may do


async def computes() -> None:
    ends = time.thread_time() + 1.0  # its own, of which a busy machine gives it less by the clock
    while time.thread_time() < ends:
        pass


async def backtracks() -> None:
    """Holds the interpreter for itself all the while, so that no other thread can beat."""
    re.match(r"(x+x+)+y", "x" * 25)


@pytest.mark.parametrize("work", [blocks, computes, backtracks])
async def test_who_keeps_the_loop_from_its_work_is_found(work: Callable[[], Awaitable[None]]) -> None:
    with pytest.raises(AssertionError, match="stood still"):
        await lively(work)


async def lively(work: Callable[[], Awaitable[None]]) -> None:
    async with lively_loop():
        await work()


async def test_who_waits_beside_the_loop_is_not() -> None:
    async with lively_loop():
        await asyncio.to_thread(time.sleep, 0.4)


ASLEEP = """
import asyncio
from benchd.testing.lively import lively_loop

async def main():
    async with lively_loop():
        print("asleep", flush=True)
        await asyncio.sleep(0.5)

asyncio.run(main())
"""


def test_a_machine_that_stood_still_is_nobodys_fault() -> None:
    """A process is stopped from outside for a while, in the middle of it."""
    with subprocess.Popen([sys.executable, "-c", ASLEEP], stdout=subprocess.PIPE, text=True) as asleep:
        assert asleep.stdout is not None
        assert asleep.stdout.readline() == "asleep\n"
        asleep.send_signal(signal.SIGSTOP)
        time.sleep(0.6)
        asleep.send_signal(signal.SIGCONT)
        assert asleep.wait(20) == 0


def test_only_what_the_loop_alone_missed_counts() -> None:
    even = [i * 0.005 for i in range(201)]
    assert longest_alone([Beat(0.0, 0.0), Beat(0.3, 0.0), Beat(1.0, 0.0)], even) == pytest.approx(0.7)
    stood = [beat for beat in even if not 0.35 < beat < 0.95]
    assert longest_alone([Beat(0.3, 0.0), Beat(1.0, 0.0)], stood) == pytest.approx(0.1, abs=0.006)
    assert longest_alone([Beat(0.3, 0.0), Beat(1.0, 0.6)], stood) == pytest.approx(0.6), "it was computing"
    assert longest_alone([Beat(0.3, 0.0), Beat(1.0, 0.0, 0.65)], even) == pytest.approx(0.05), "it was not let"


async def test_where_it_stood_is_told() -> None:
    with pytest.raises(AssertionError, match=r"stood still for [\d.]+ s, late at:(.|\n)*time\.sleep"):
        await lively(blocks)


async def test_what_a_process_of_many_tests_collects_is_not_the_drivers() -> None:
    """A full collection takes .6 s in a worker that has gathered four thousand tests (measured, no source)."""
    async with lively_loop():
        assert not gc.isenabled()
    assert gc.isenabled()
