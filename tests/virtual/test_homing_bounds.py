"""Homing on benches whose switch does not act, or that stand so near it that the mark has to be looked for.

And where it ends: at a place from which small steps are allowed, with limits that can be driven to.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
from collections.abc import AsyncIterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from benchd.errors import BenchdError, Refused
from tests.at_work import AtWork
from tests.virtual.benches import VirtualBench

HOMES = """\
procedure: homes
title: Homing and nothing else
needs: {roles: [carriage]}
steps:
  - home: {axes: [carriage]}
"""


def another_world(folder: Path, key: str, value: str) -> Path:
    """The shipped world with another value at one key."""
    shipped = files("benchd_simulators").joinpath("worlds", "workshop.yaml").read_text(encoding="utf-8")
    text, found = re.subn(rf"(?m)^(\s+{key}:).*$", rf"\1 {value}", shipped)
    assert found == 1
    path = folder / "world.yaml"
    path.write_text(text)
    return path


@contextlib.asynccontextmanager
async def at_work(folder: Path, **more: Any) -> AsyncIterator[AtWork[VirtualBench]]:
    async with VirtualBench(folder / "bench", **more) as bench:
        yield AtWork(bench)


async def lowest(bench: AtWork[VirtualBench], work: asyncio.Task[object]) -> float:
    """The lowest place of the carriage until the work has ended."""
    places = [bench.place_um()]
    while not work.done():
        places.append(bench.place_um())
        await asyncio.sleep(0.005)
    return min(places)


async def test_a_dead_switch_lets_the_carriage_go_no_farther_than_clearance_was_looked_for(tmp_path: Path) -> None:
    world = another_world(tmp_path, "stops_um", "[-40000, 31500]")  # no hard stop would hold it either
    async with at_work(tmp_path, world=str(world)) as bench, bench.at():
        await bench.at_nominal()
        bench.fault("world", "switch_never", value=True)
        homing = asyncio.create_task(bench.client.do("home", axes=["carriage"], within_s=40))
        # 2000 um below the travel, 400 um to come to rest from 4 mm/s at 20 mm/s^2, and 25 ms to be seen.
        assert await lowest(bench, homing) > -2500.0
        with pytest.raises(BenchdError, match="home switch did not act"):
            await homing
        assert not (await bench.carriage(state="idle"))["homed"]


async def test_a_stop_while_the_mark_is_looked_for_is_the_last_motion(tmp_path: Path) -> None:
    """It stands below the mark, behind which it would have to go out; a run is only paused by a stop, not cancelled."""
    world = another_world(tmp_path, "starts_um", "[-900, -700]")
    async with at_work(tmp_path, world=str(world), files={"procedures/homes.yaml": HOMES}) as bench, bench.at():
        for after_s in (0.05, 0.1, 0.15, 0.2, 0.25, 0.3):
            run = await bench.client.run("homes")
            await asyncio.sleep(after_s)
            await bench.client.stop()
            await bench.rests(2.0)
            stands = bench.place_um()
            await asyncio.sleep(0.8)
            assert abs(bench.place_um() - stands) < 1.0, f"stopped after {after_s} s"
            if (await bench.client.kept("procedure"))["state"] not in ("failed", "done"):
                with contextlib.suppress(Refused):  # stopped in homing: it is ending by itself
                    await bench.client.command("abort", beat=False, run=run)
                await bench.state_of(run, "aborted", "failed")


@pytest.mark.parametrize("seed", [4, 5])
async def test_every_limit_that_is_told_can_be_driven_to_from_the_other(tmp_path: Path, seed: int) -> None:
    """Of these two benches the screw is longer at its far end than it seems from the near one."""
    async with at_work(tmp_path, seed=seed) as bench, bench.at():
        await bench.home()
        await bench.client.do("move", by_um=2.0)
        for which in (1, 0, 1):
            limit = (await bench.carriage(state="idle"))["limits_um"][which]
            await bench.client.do("move", carriage_um=limit, within_s=30)
            assert (await bench.carriage(state="idle"))["homed"]
