"""Meters of the room, as the bench with motors on its rings has them: what they tell enters the set-up by itself.

Each is off by an error of its own, drawn with the u that the bench file states of it, in a room that warms while people
work in it. Seeds are fixed once, not chosen.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from math import sqrt
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import chi2

from benchd.client.bench_client import BenchClient
from benchd.errors import Refused
from technician import Technician
from tests.virtual.benches import PACE, VirtualBench, person
from tests.virtual.lab import run

SEEDS = range(1, 7)
VERDICTS = (101, 102)
LENS, ADAPTERS, GLASS = "L-0417", ["ring-07"], ["pane-25"]
STANDS = {"lens": LENS, "adapters": ADAPTERS, "glass": GLASS, "ring": "infinity"}
U_K, U_MM = 0.1, 1.0
"""As configs/workshop-rings states them of its meters."""
ROOM_C = 20.4
"""Far from where the world's room begins, so that nothing is right by chance."""


@asynccontextmanager
async def metered(
    folder: Path, seed: int, *, pace: float = 1.0
) -> AsyncIterator[tuple[VirtualBench, BenchClient, Technician]]:
    """A homed bench whose room is at `ROOM_C`, and nothing of it typed."""
    async with (
        VirtualBench(folder, world="workshop-rings", config="workshop-rings", seed=seed, pace=pace) as bench,
        person(bench) as (client, technician),
    ):
        bench.hand("set", "temperature", ROOM_C)
        await client.do("home", axes=["carriage", "focus_ring", "iris_ring"])
        yield bench, client, technician


def term(setup: dict[str, Any], name: str) -> dict[str, Any]:
    return next(dict(one) for one in setup["chain"] if one["term"].startswith(name))


async def off_in_u(folder: Path, seed: int) -> tuple[float, float]:
    """How far temperature and distance of the set-up are off, in what the bench file says of their meters."""
    async with metered(folder, seed, pace=PACE) as (bench, client, _):
        await client.do("setup", set=STANDS)
        await client.do("nominal")
        setup, true = await client.kept("setup"), bench.truth()["now"]
        assert setup["told_by"] == {"temperature_C": "thermometer", "distance_mm": "rangefinder"}
        lean = await client.do("read", device="level")
        assert lean["unit"] == "arcmin"
        return (setup["temperature_C"] - true["temperature_C"]) / U_K, (
            setup["distance_mm"] - true["distance_mm"]
        ) / U_MM


def test_what_they_tell_is_off_by_what_the_bench_file_says_of_them(tmp_path: Path) -> None:
    off = [run(off_in_u(tmp_path / str(seed), seed), seed) for seed in SEEDS]
    for values in zip(*off, strict=True):
        assert len(set(values)) == len(SEEDS), "each is another bench"
        squares = sum(z * z for z in values)
        assert chi2.ppf(0.001, len(values)) < squares < chi2.isf(0.001, len(values)), values
        # A rectangular error ends at root 3 of its u; what is told enters from a quarter of u on.
        assert max(map(abs, values)) < sqrt(3.0) + 0.25 + 0.1, values


async def test_the_set_up_follows_the_room_while_it_warms(tmp_path: Path) -> None:
    """25 minutes of the room with nobody there: what is counted with is what is true then."""
    async with metered(tmp_path, 1, pace=PACE) as (bench, client, _):
        await client.do("setup", set=STANDS)
        await client.do("nominal")
        before, cool = await client.kept("setup"), bench.truth()["now"]["temperature_C"]
        await asyncio.sleep(1500.0 / PACE)
        await client.command("take", beat=False)
        await client.do("nominal")
        after, warm = await client.kept("setup"), bench.truth()["now"]["temperature_C"]
        assert warm - cool > 0.2
        assert after["temperature_C"] - before["temperature_C"] == pytest.approx(warm - cool, abs=0.25 * U_K + 0.01)
        assert after["rev"] > before["rev"]
        # Steel grows by 11.5e-6 per K, and the base is 24 mm long; the carriage comes nearer by as much.
        grown = term(after, "thermal base")["value_um"] - term(before, "thermal base")["value_um"]
        assert grown == pytest.approx(-11.5e-6 * 24000.0 * (after["temperature_C"] - before["temperature_C"]), rel=0.01)


async def test_a_range_finder_stands_still_where_a_ring_moves_the_target(tmp_path: Path) -> None:
    async with metered(tmp_path, 1) as (bench, client, technician):
        read, told, true = [], [], []
        for adapters in (ADAPTERS, ["gap-03", *ADAPTERS]):
            technician.fit(adapters, GLASS, LENS)
            await client.do("setup", set={**STANDS, "adapters": adapters})
            await client.do("nominal")
            read.append((await client.do("read", device="range"))["value"])
            told.append((await client.kept("setup"))["distance_mm"])
            true.append(bench.truth()["now"]["distance_mm"])
        assert read[0] == pytest.approx(read[1], abs=0.1)
        assert true[0] - true[1] == pytest.approx(3.0, abs=0.01)
        assert told[0] - told[1] == pytest.approx(3.0, abs=0.11), "and the last figure that the meter shows"


async def test_their_u_stands_in_the_chain_and_nobody_types_over_a_thermometer(tmp_path: Path) -> None:
    async with metered(tmp_path, 1) as (_, client, _technician):
        await client.do("setup", set=STANDS)
        await client.do("nominal")
        told = await client.kept("setup")
        with pytest.raises(Refused, match="thermometer tells the temperature"):
            await client.do("setup", set={"temperature_C": 20.0})
        await client.do("setup", set={"distance_mm": told["distance_mm"] + 0.001})
        await client.do("nominal")
        typed = await client.kept("setup")
        assert typed["told_by"] == {"temperature_C": "thermometer"}
        # x' = f m and T = f (1/m + 2 + m): 1 mm of T is m^2 / (1 - m^2) of x'; 1 mm by the meter, 3 mm by the tape.
        squares = term(typed, "conjugate")["u_um"] ** 2 - term(told, "conjugate")["u_um"] ** 2
        m = 49.6 / (told["distance_mm"] - 2.0 * 49.6)
        assert squares == pytest.approx((3.0**2 - U_MM**2) * (1000.0 * m**2) ** 2, rel=0.01)


async def checked(folder: Path, seed: int) -> tuple[dict[str, Any], float]:
    """The finding of a lens whose wall and room nobody has measured; the truth, which the bench is not told."""
    async with metered(folder, seed, pace=PACE) as (bench, client, technician):
        await technician.calibrate(ADAPTERS)
        await client.command("take", beat=False)
        finding = await technician.check(LENS, ADAPTERS, GLASS, wall=False)
        assert (await client.kept("setup"))["told_by"].keys() == {"temperature_C", "distance_mm"}
        return finding, bench.truth()["focus_error_um"]


def test_a_verdict_by_their_figures_is_true(tmp_path: Path) -> None:
    off = []
    for seed in VERDICTS:
        finding, truth = run(checked(tmp_path / str(seed), seed), seed)
        error, verdict = finding["values"]["focus_error"], finding["verdict"]
        off.append((error["value"] - truth, error["U"]))
        assert finding["absolute"] is True
        assert verdict["is"] == "undecided" or (verdict["is"] == "pass") == (verdict["low"] <= truth <= verdict["high"])
    # 95 % intervals: not both miss but for once in 400 times, and none by as much again but for once in 5,000.
    assert all(abs(by) <= 2.0 * U for by, U in off), off
    assert any(abs(by) <= U for by, U in off), off
