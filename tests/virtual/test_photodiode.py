"""A bench without a camera, from an empty record to a verdict, by a photodiode behind a slit.

As in `test_truth`, of three intervals two or more hold the truth but for once in 140 times, and none is as far off as
twice the interval but for once in 5,000. Seeds are fixed once, not chosen.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.virtual.benches import PACE, VirtualBench, person
from tests.virtual.lab import run

SEEDS = (101, 102, 103)
NAME = "workshop-photodiode"
LENS, ADAPTERS, GLASS = "L-0417", ["ring-07"], ["pane-25"]


def by_returns(doc: Any) -> None:
    """The bench file of one whose lamp nothing else looks at."""
    del doc["roles"]["lamp_reference"]
    doc["detectors"]["meter"]["return_every"] = 4


async def found(folder: Path, seed: int) -> tuple[Mapping[str, Any], float, float]:
    """The finding; the truth, which the bench is not told; and how bright the lamp is at the end."""
    change = by_returns if seed == SEEDS[0] else lambda doc: None
    async with (
        VirtualBench(folder, world=NAME, config=NAME, seed=seed, pace=PACE, change=change) as bench,
        person(bench) as (_, technician),
    ):
        await technician.calibrate(ADAPTERS)
        finding = await technician.check(LENS, ADAPTERS, GLASS, wall=False)
        return finding, bench.truth()["slit_focus_error_um"], bench.machine.lamp.level


def test_a_bench_without_a_camera_comes_to_a_true_verdict(tmp_path: Path) -> None:
    off = []
    for seed in SEEDS:
        finding, truth, lamp = run(found(tmp_path / str(seed), seed), seed)
        error, verdict = finding["values"]["focus_error"], finding["verdict"]
        off.append((error["value"] - truth, error["U"]))
        assert lamp == 0.0
        assert finding["absolute"] is True
        assert finding["measurand"]["merit"] == "meter"
        low, high = verdict["low"], verdict["high"]
        assert verdict["is"] == "undecided" or (verdict["is"] == "pass") == (low <= truth <= high), (verdict, truth)
        (note,) = [one for one in finding["notes"] if one.startswith("Light through a slit of 25 µm")]
        assert ("by going back after every 4 stations" in note) == (seed == SEEDS[0])
        assert not [one for one in finding["notes"] if "brightness" in one or "was set" in one], "nobody set the light"
    assert all(abs(by) <= 2.0 * U for by, U in off), off
    assert sum(abs(by) <= U for by, U in off) >= 2, off
