"""A photodiode behind a slit in sweeps at constant speed, on a whole bench, held against what its world hides."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from finding_bench import FindingBench, ready
from technician import RunEnded
from tests.virtual.benches import VirtualBench, person

NAME = "workshop-photodiode"
LENS, RING, PANE = "L-0417", "ring-07", "pane-25"

on_the_module_s_loop = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    folder = tmp_path_factory.mktemp("passes")
    async with VirtualBench(folder, world=NAME, config=NAME, seed=101) as bench:
        yield bench


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at(bench: VirtualBench) -> AsyncIterator[FindingBench]:
    """Homed, a lens in the set-up and at nominal."""
    async with person(bench) as (client, technician):
        at = await ready(bench, client, technician)
        technician.fit([RING], [PANE], LENS)
        await client.command("setup", set={"lens": LENS, "adapters": [RING], "glass": [PANE], "ring": "infinity"})
        await client.command("light", beat=False, level=0.4)
        yield at


@pytest_asyncio.fixture(loop_scope="module")
async def client(bench: VirtualBench, at: FindingBench) -> BenchClient:
    await at.client.command("take", beat=False, force=True)
    await at.client.do("home", axes=["carriage"], only_if_unhomed=True)
    await at.client.do("nominal")
    return at.client


@on_the_module_s_loop
async def test_passes(bench: VirtualBench, at: FindingBench, client: BenchClient) -> None:
    import time

    for mode in ("stepped", "continuous", "continuous"):
        t = time.time()
        v = bench.loop.time() if hasattr(bench, "loop") else 0
        finding = await at.sweep(mode=mode, repeats=2)
        error = finding["values"]["focus_error"]
        print(mode, time.time() - t, finding["readings"], error["value"], bench.truth()["slit_focus_error_um"])
        for l in finding["budgets"]["focus_error"]:
            print(l["term"], l["u"], l["dof"])
        print(*finding["notes"], sep="\n")
