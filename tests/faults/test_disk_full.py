"""No room for the record in a sweep. It pauses and says so, stop works, and nothing acknowledged is lost.

A limit on the size of the daemon's files stands for the full disk: mounting a small one is not everybody's right.
"""

from __future__ import annotations

import asyncio
import resource
import signal
import time
from collections.abc import AsyncIterator

import psutil
import pytest
import pytest_asyncio

from tests.faults.conftest import Lab, lab, told

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module"), pytest.mark.xdist_group("faults-disk")]


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench() -> AsyncIterator[Lab]:
    async with lab(seed=15, daemon=False) as found:
        yield found


def room(bench: Lab, spare: int | None) -> None:
    """Leave the daemon's files so many bytes to grow by; None takes the limit away."""
    daemon = psutil.Process(bench.pid)
    largest = max(file.stat().st_size for file in bench.stack.bench_file.parent.glob("workshop.db*"))
    limit = resource.RLIM_INFINITY if spare is None else largest + spare
    daemon.rlimit(psutil.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))


async def test_no_room_in_a_sweep(bench: Lab) -> None:
    async with bench.up(), bench.at() as client:
        heard = client.watch("reading")
        run = await bench.sweeping_in_flange_check(repeats=3)
        events = client.events()
        room(bench, 20_000)
        await bench.state_of(run, "paused", within_s=60)
        async with asyncio.timeout(120):
            async for _, event in events:
                if event["code"] == "disk_full":
                    assert "workshop.db" in event["text"]
                    assert "space" in event["advice"]
                    break
        # It waits, and does not wander: no reading is told while there is no room for one.
        await asyncio.sleep(1.0)
        assert await bench.rests()
        assert (await client.kept("procedure"))["state"] == "paused"
        full = bench.kept_readings(run)
        so_far = await told(heard)
        assert so_far, "some were told before the disk was full"
        assert so_far.items() <= full.items(), "told before it was on disk"
        # A stop is heard and told although nothing of it can be written down.
        stopped = client.events()
        began = time.monotonic()
        await client.stop()
        async with asyncio.timeout(120):
            async for _, event in stopped:
                if event["code"] == "stopped":
                    break
        print(f"stopped on a full disk, as told, after {1000 * (time.monotonic() - began):.0f} ms")
        # Resumed with no room it pauses again; with room it goes on where it was.
        await client.command("resume", run=run)
        await bench.state_of(run, "running")
        await bench.state_of(run, "paused")
        assert await told(heard) == {}, "there is still no room for what was exposed"
        room(bench, None)
        await client.command("resume", run=run)
        await bench.state_of(run, "done", within_s=60)
        kept = bench.kept_readings(run)
        assert full.items() <= kept.items()
        assert (await told(heard)).items() <= kept.items()
        assert sorted({idx for idx, _ in kept}) == list(range(len(kept) // 2))
        assert bench.row_of(run)[0] == "done"


async def test_ended_on_a_full_disk(bench: Lab) -> None:
    """Aborted while it waits for room, then asked to end: neither waits for the disk."""
    async with bench.up(), bench.at() as client:
        run = await bench.sweeping_in_flange_check()
        room(bench, 20_000)
        await bench.state_of(run, "paused", within_s=60)
        kept = bench.kept_readings(run)
        await client.command("abort", beat=False, run=run)
        await bench.state_of(run, "aborted", within_s=10)
        code = await bench.stack.end("daemon", signal.SIGTERM)
    assert (code, bench.log.count("Traceback")) == (0, 0), bench.log[-3000:]
    assert bench.left() == {}
    assert bench.kept_readings(run) == kept
    async with bench.up(), bench.at():
        state, ended = bench.row_of(run)  # what could not be written down then is closed at the next start
        assert state in ("aborted", "failed")
        assert ended is not None
        await bench.home()
