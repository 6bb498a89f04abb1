"""A carriage that swings on after its controller says that it stands: by bytes and scale, as from a soft coupling."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.devices import now_s
from benchd.errors import BenchdError
from tests.virtual.benches import VirtualBench

pytestmark = pytest.mark.asyncio(loop_scope="function")

TOLERANCE_UM = 1.0


def swings(bench: VirtualBench, size_um: float, for_s: float, hz: float) -> None:
    """Amplitude, time to 1/e, and frequency of what goes on at the carriage once the motor stands."""
    carriage: Any = bench.machine.carriage
    carriage.record = carriage.record.model_copy(
        update={"ring_down_um": size_um, "ring_down_s": for_s, "ring_down_hz": hz}
    )


@pytest_asyncio.fixture(loop_scope="function")
async def bench(tmp_path: Path) -> AsyncIterator[VirtualBench]:
    async with VirtualBench(tmp_path) as bench:
        yield bench


async def test_fault_10_done_is_not_said_while_the_encoder_still_moves(bench: VirtualBench) -> None:
    async with bench.client("rail") as client:
        await client.command("take", beat=False)
        await client.do("home", axes=["carriage"])
        swings(bench, 40.0, 0.4, 1.7)
        for place_um in (6_000.0, 11_000.0, 9_000.0):
            await client.do("move", carriage_um=place_um)
            ended_s = now_s()
            done_um = bench.place_um()
            seen = []
            while now_s() - ended_s < 3.0:
                await asyncio.sleep(0.01)
                seen.append(bench.place_um())
            assert max(abs(um - done_um) for um in seen) < 2.0 * TOLERANCE_UM, "it went on after 'done'"
            assert bench.place_um() == pytest.approx(place_um, abs=2.0 * TOLERANCE_UM)


async def test_fault_10_a_carriage_that_never_rests_is_told_and_not_trusted(bench: VirtualBench) -> None:
    async with bench.client("rail") as client:
        await client.command("take", beat=False)
        await client.do("home", axes=["carriage"])
        swings(bench, 20.0, 1e6, 3.1)
        with pytest.raises(BenchdError, match="does not come to rest"):
            await client.do("move", carriage_um=9_000.0)
        state = await client.kept("device/carriage")
        assert not state["homed"]
        assert "does not come to rest" in state["why"]
