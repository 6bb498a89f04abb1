"""How soon lost steps are seen: a stop is written within 50 ms of the passing of their limit (own figure)."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path

import pytest

from bench_journal import read
from benchd.devices import now_s
from benchd.errors import BenchdError
from tests.virtual.benches import VirtualBench
from tests.virtual.rules.stops import is_stop

pytestmark = pytest.mark.asyncio(loop_scope="function")

SEEN_S = 0.05
SPEED_UM_S = 4000.0
"""Of the shipped bench, and what its controller drives at once it is up to speed."""
LIMIT_UM = 150.0 + 0.03 * SPEED_UM_S
"""Where nothing is in the bench file: so much, and the way of 30 ms, as motor and encoder are not read at once."""
FAR_UM, NEAR_UM = 24_000.0, 4_000.0
TIMES = 8


def stopped_s(bench: VirtualBench, since_s: float) -> float:
    """When the first byte of a stop came to the board."""
    chunks = read(bench.folder / "journal.tsv")
    return next(one.t for one in chunks if one.port == "board" and one.t >= since_s and is_stop(one.data))


@pytest.mark.parametrize("what", ["lose_steps", "stall"])
async def test_fault_8_lost_steps_are_seen_within_50_ms(tmp_path: Path, what: str) -> None:
    """At any moment between two looks, either way; the simulated motor loses all its steps until so many are lost."""
    chance = random.Random(what)
    async with VirtualBench(tmp_path) as bench, bench.client("rail") as client:
        await client.command("take", beat=False)
        for _ in range(TIMES):
            await client.do("home")
            to_um = NEAR_UM if bench.place_um() > 14_000.0 else FAR_UM
            move = asyncio.create_task(client.do("move", carriage_um=to_um))
            await asyncio.sleep(1.5 + chance.uniform(0.0, 0.5))
            value = True if what == "stall" else chance.uniform(1.5, 6.0) * LIMIT_UM
            bench.ask_world({"do": "fault", "who": "world", "what": what, "args": {"value": value}})
            began_s = now_s()
            with pytest.raises(BenchdError, match="motor and encoder disagree"):
                await move
            late_s = stopped_s(bench, began_s) - (began_s + LIMIT_UM / SPEED_UM_S)
            if what == "stall":
                bench.ask_world({"do": "fault", "who": "world", "what": what, "args": {"value": False}})
            assert -0.01 < late_s <= SEEN_S
