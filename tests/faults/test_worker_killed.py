"""The worker process is killed, as by a kernel that is out of memory: nothing is lost, or it is said and all ends."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import pytest

from tests.faults.conftest import Lab, lab

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module"), pytest.mark.xdist_group("faults-worker")]

ENDS_SWEEPING = """\
procedure: ends_sweeping
title: A sweep as the last thing
needs: {roles: [carriage, target_light, detector]}
steps:
  - light: {level: 0.4}
finally:
  - sweep: {}
  - light: {level: 0}
"""
ASKS = """\
procedure: asks
title: A question and a move
needs: {roles: [carriage]}
steps:
  - ask: {name: go, kind: confirm, text: "Go?"}
  - move: {carriage_um: 20000}
"""
FILES = {"procedures/ends_sweeping.yaml": ENDS_SWEEPING, "procedures/asks.yaml": ASKS}


def kill_worker(bench: Lab) -> bool:
    """Whether there was one."""
    workers = [pid for pid, command in bench.children().items() if "spawn_main" in command]
    for pid in workers:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    return bool(workers)


@asynccontextmanager
async def killing_it_always(bench: Lab) -> AsyncIterator[None]:
    """No worker lives for long."""

    async def kill() -> None:
        while True:
            kill_worker(bench)
            await asyncio.sleep(0.05)

    killing = asyncio.create_task(kill())
    try:
        yield
    finally:
        killing.cancel()
        await asyncio.wait({killing})


async def test_a_sweep_goes_on_when_the_worker_is_killed_once() -> None:
    async with lab(seed=15) as bench, bench.at():
        await bench.at_nominal()
        run = await bench.in_a_sweep(readings=6, repeats=3)
        assert kill_worker(bench)
        await bench.state_of(run, "done")
        readings = bench.kept_readings(run)
        indices = sorted({idx for idx, _ in readings})
        assert indices == list(range(len(indices)))
        assert None not in readings.values()


async def test_a_worker_that_is_killed_again_and_again_ends_the_run_in_words_and_the_light() -> None:
    async with lab(seed=16, files=FILES) as bench, bench.at():
        await bench.at_nominal()
        events = bench.client.events()
        async with killing_it_always(bench):
            run = str((await bench.client.command("sweep"))["run"])
            await bench.state_of(run, "failed")
            async with asyncio.timeout(120):
                async for _, event in events:
                    if event["code"] == "device_fault":
                        break
            assert "was killed" in event["text"]
            run = await bench.client.run("ends_sweeping")
            await bench.state_of(run, "done", "failed")
        async with asyncio.timeout(120):
            async for _, state in bench.client.watch("device/target_light"):
                if state["level"] == 0.0:
                    break
        # And the next run is like any other: a stop pauses it.
        run = await bench.client.run("asks")
        ask = (await bench.state_of(run, "asking"))["ask"]["ask"]
        await bench.client.stop()
        await bench.state_of(run, "paused")
        stands = bench.place_um()
        await bench.client.answer(ask, True)
        await asyncio.sleep(0.8)
        assert abs(bench.place_um() - stands) < 5.0
