"""Waiting for one piece of work, as `asyncio.wait` does: not longer than told, and without touching it."""

from __future__ import annotations

import asyncio

import pytest

from benchd.devices import done_within
from benchd.testing.virtual_time import run_virtual


async def work(takes_s: float) -> str:
    await asyncio.sleep(takes_s)
    return "done"


@pytest.mark.parametrize(("takes_s", "within_s", "waits_s"), [(0.2, 0.3, 0.2), (0.3, 0.2, 0.2), (0.2, None, 0.2)])
def test_it_is_waited_for_no_longer_than_told(takes_s: float, within_s: float | None, waits_s: float) -> None:
    async def waited() -> None:
        task = asyncio.create_task(work(takes_s))
        in_time = await done_within(task, within_s)
        assert in_time is task.done() is (within_s is None or takes_s < within_s)
        assert asyncio.get_running_loop().time() == pytest.approx(waits_s)
        assert await task == "done"

    run_virtual(waited())


def test_what_is_done_already_is_so() -> None:
    async def waited() -> None:
        answer = asyncio.get_running_loop().create_future()
        answer.set_exception(ValueError("its own"))
        assert await done_within(answer, 0.0)
        assert isinstance(answer.exception(), ValueError)

    run_virtual(waited())


def test_a_wait_that_is_cancelled_leaves_the_work_and_no_timer() -> None:
    async def waited() -> None:
        task = asyncio.create_task(work(1.0))
        waiting = asyncio.create_task(done_within(task, 10.0))
        await asyncio.sleep(0.1)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
        assert await task == "done"
        timers = asyncio.get_running_loop()._scheduled  # type: ignore[attr-defined]
        assert all(timer.cancelled() for timer in timers)

    run_virtual(waited())
