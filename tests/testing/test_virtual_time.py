"""Virtual time: it goes from timer to timer, stands still while a thread works, and says when it would never end."""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from benchd.records.store import Store
from benchd.testing.virtual_time import EndlessWait, VirtualClock, VirtualTimeLoop, run_virtual


def now() -> float:
    return asyncio.get_running_loop().time()


def test_timers_come_in_their_order_and_at_their_time() -> None:
    async def main() -> list[tuple[str, float]]:
        seen: list[tuple[str, float]] = []

        async def after(delay_s: float, name: str) -> None:
            await asyncio.sleep(delay_s)
            seen.append((name, now()))

        await asyncio.gather(after(30.0, "c"), after(0.5, "a"), after(0.5, "b"), after(90_000.0, "d"))
        return seen

    assert run_virtual(main()) == [("a", 0.5), ("b", 0.5), ("c", 30.0), ("d", 90_000.0)]


def test_an_hour_takes_no_time() -> None:
    """Judged by the processor's time, as what else the machine does is no matter here."""
    began_s = time.process_time()
    run_virtual(asyncio.sleep(3600.0))
    assert time.process_time() - began_s < 1.0


def test_a_thread_holds_time_still() -> None:
    async def main() -> tuple[list[float], float]:
        ticks: list[float] = []

        async def tick() -> None:
            while True:
                await asyncio.sleep(0.001)
                ticks.append(now())

        ticking = asyncio.create_task(tick())
        await asyncio.to_thread(time.sleep, 0.05)
        stood = now()
        await asyncio.sleep(0.0035)
        ticking.cancel()
        return ticks, stood

    ticks, stood = run_virtual(main())
    assert stood == 0.0
    assert ticks == pytest.approx([0.001, 0.002, 0.003])


def test_a_thread_that_nobody_waits_for_any_more_holds_it_too() -> None:
    """What it leaves behind has to stand there before anything later happens, or two runs would differ."""

    async def main() -> list[str]:
        left: list[str] = []

        def work() -> None:
            time.sleep(0.05)
            left.append("thread")

        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(0.0):
                await asyncio.to_thread(work)
        await asyncio.sleep(0.001)
        left.append("timer")
        return left

    assert run_virtual(main()) == ["thread", "timer"]


def test_work_that_is_called_off_before_it_begins_holds_nothing() -> None:
    async def main() -> float:
        loop = asyncio.get_running_loop()
        with ThreadPoolExecutor(1) as one:
            first = loop.run_in_executor(one, time.sleep, 0.02)
            second = loop.run_in_executor(one, time.sleep, 0.0)
            second.cancel()
            await first
            await asyncio.sleep(5.0)
        return now()

    assert run_virtual(main()) == 5.0


def test_what_another_thread_does_without_an_executor_is_held_by_hand() -> None:
    async def main() -> float:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualTimeLoop)
        told = asyncio.Event()
        with loop.held(), ThreadPoolExecutor(1) as one:
            one.submit(time.sleep, 0.02).add_done_callback(lambda _: loop.call_soon_threadsafe(told.set))
            async with asyncio.timeout(1.0):
                await told.wait()
        return now()

    assert run_virtual(main()) == 0.0


async def kept(folder: Path) -> list[float]:
    """The record written beside a clock that ticks, and the times at which something happened."""
    clock, seen = VirtualClock(), list[float]()

    async def write(store: Store, pause_s: float) -> None:
        for _ in range(5):
            await clock.sleep(pause_s)
            await store.add_event("note", "info", "n")
            seen.append(clock.monotonic())

    folder.mkdir()
    store = await Store.open("sqlite:///bench.db", folder, clock)
    try:
        await asyncio.gather(write(store, 0.7), write(store, 1.1))
        seen += [float(event.at[17:19]) for event in await store.events()]
    finally:
        await store.close()
    return seen


def test_the_thread_of_the_record_holds_time_still(tmp_path: Path) -> None:
    seen = run_virtual(kept(tmp_path / "one"))
    due = sorted([0.7 * n for n in range(1, 6)] + [1.1 * n for n in range(1, 6)])
    assert seen[:10] == pytest.approx(due)
    assert seen[10:] == [int(at + 1e-6) for at in due], "and its times are those of the clock"


def test_two_runs_give_the_same_times(tmp_path: Path) -> None:
    async def main(folder: Path) -> list[float]:
        drawn, seen = random.Random(7), await kept(folder)

        async def walk(steps: int) -> None:
            for _ in range(steps):
                await asyncio.sleep(drawn.random())
                if drawn.random() < 0.3:
                    await asyncio.to_thread(time.sleep, 0.001)
                seen.append(now())

        await asyncio.gather(*(walk(20) for _ in range(5)))
        return seen

    assert run_virtual(main(tmp_path / "one")) == run_virtual(main(tmp_path / "two"))


def test_a_timeout_comes_when_it_is_due() -> None:
    async def main() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(12.5):
                await asyncio.Event().wait()
        return now()

    assert run_virtual(main()) == 12.5


def test_the_clock_follows_the_loop() -> None:
    async def main() -> tuple[float, str]:
        clock = VirtualClock()
        for _ in range(7):
            await clock.sleep(0.1)
        await clock.until(61.003)
        await clock.until(3.0)
        return clock.monotonic(), clock.utc()

    assert run_virtual(main()) == (61.003, "2030-01-01T12:01:01.003Z")


def test_a_wait_that_nothing_can_end_fails_and_says_where_it_stands() -> None:
    async def waits_for_nobody() -> None:
        await asyncio.Event().wait()

    async def main() -> None:
        await asyncio.sleep(2.0)
        await asyncio.create_task(waits_for_nobody(), name="in vain")

    with pytest.raises(EndlessWait, match=r"(?s)At 2 s no timer is set.*in vain: waits_for_nobody:\d+ > wait:\d+"):
        run_virtual(main())
