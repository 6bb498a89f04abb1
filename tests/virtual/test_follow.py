"""`follow`: wherever the carriage stood, a change of the set-up drives it to where the new chain says, or is refused.

Judged by where the carriage truly stands straight after, and by what the bench tells of it.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from benchd.client.bench_client import BenchClient
from benchd.errors import Refused
from tests.virtual.benches import VirtualBench

pytestmark = pytest.mark.asyncio(loop_scope="module")

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"
STANDS = {"lens": LENS, "adapters": [RING], "glass": [], "distance_mm": 5000, "ring": "infinity", "trim_um": 0}
PLATE_UM = 2498.0 * (1.0 - 1.0 / 1.5230)
"""What the record's plate moves the image by, t (1 - 1/n)."""

WITHIN_UM = 1.1
"""The bench file's tolerance of a place, and its rounding."""

BETWEEN_UM = 3.0
"""Of the way between two places: the tolerance twice, and the scale's error within a period."""


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    async with VirtualBench(tmp_path_factory.mktemp("follow")) as bench:
        async with bench.client("rail") as client:
            await client.command("take", beat=False)
            await client.do("home", axes=["carriage"])
            await client.command("release", beat=False)
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def client(bench: VirtualBench) -> AsyncIterator[BenchClient]:
    """Somebody in control, the carriage at nominal of the plain set-up."""
    async with bench.client("rail") as client:
        await client.command("take", beat=False)
        await client.command("setup", set=STANDS)
        await client.do("nominal")
        yield client
        await client.command("release", beat=False)


async def shows(client: BenchClient, offset_um: float) -> None:
    """The carriage is told to be at rest, driven, at an offset."""
    carriage: dict[str, Any] = {}
    try:
        async with asyncio.timeout(120):  # the state comes within a moment of the end
            async for _, carriage in client.watch("device/carriage"):
                at = carriage["offset_um"] == pytest.approx(offset_um, abs=WITHIN_UM)
                if carriage["state"] == "idle" and at and carriage["stale"] is False:
                    break
    except TimeoutError:
        raise AssertionError(f"wanted {offset_um} um, driven; stands: {carriage}") from None
    assert (await client.kept("setup"))["stale"] is False


@pytest.mark.parametrize("before_um", [0.0, 40.0, -200.0])
async def test_trim_on_and_off_moves_the_carriage_by_it(
    bench: VirtualBench, client: BenchClient, before_um: float
) -> None:
    """From nominal and from a start off it: what was off before is no part of where the new chain says."""
    nominal_um = bench.place_um()
    await client.do("move", offset_um=before_um)
    await client.do("setup", set={"trim_um": 5.0}, follow=True)
    trimmed_um = bench.place_um()
    await shows(client, 5.0)
    await client.do("setup", set={"trim_um": None}, follow=True)
    assert trimmed_um - nominal_um == pytest.approx(5.0, abs=BETWEEN_UM)
    assert bench.place_um() - nominal_um == pytest.approx(0.0, abs=BETWEEN_UM)
    await shows(client, 0.0)


async def test_plate_in_from_a_start_off_nominal(bench: VirtualBench, client: BenchClient) -> None:
    nominal_um = bench.place_um()
    await client.do("move", offset_um=300.0)
    await client.do("setup", set={"glass": [PANE], "trim_um": 5.0}, follow=True)
    assert bench.place_um() - nominal_um == pytest.approx(PLATE_UM + 5.0, abs=BETWEEN_UM)
    await shows(client, 5.0)


async def test_what_cannot_be_followed_to_changes_nothing(client: BenchClient) -> None:
    """Limits come before the change, as clearance does: not a set-up that the carriage cannot take up."""
    before = await client.kept("setup")
    with pytest.raises(Refused) as refused:
        await client.command("setup", set={"adapters": ["gap-03", "gap-04", RING], "trim_um": -5000}, follow=True)
    assert refused.value.code == "limit", refused.value.as_json()
    after = await client.kept("setup")
    assert (after["rev"], after["stale"]) == (before["rev"], False)
