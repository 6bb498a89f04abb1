"""Benches drawn anew, calibrated from an empty record and put to a lens, held against what their worlds hide.

The stated 95 % intervals hold the truth in 19 of 20 cases: of three, two or more lie inside but for once in 140 times,
and none is as far off as twice the interval but for once in 5,000. That the intervals are neither too wide nor too
narrow is the study's to show; here the whole stack is in between. Seeds are fixed once, not chosen.
"""

from __future__ import annotations

import math
from pathlib import Path

from scipy import stats

from tests.virtual.benches import PACE, VirtualBench, person
from tests.virtual.lab import run

SEEDS = (101, 102, 103)
LENS, ADAPTERS, GLASS = "L-0417", ["ring-07"], ["pane-25"]


async def found(folder: Path, seed: int) -> tuple[float, float, float]:
    """What a bench finds of the lens, that value's error, u and U (um); and the truth, which it is not told."""
    async with VirtualBench(folder, seed=seed, pace=PACE) as bench, person(bench) as (_, technician):
        await technician.calibrate(ADAPTERS)
        error = (await technician.check(LENS, ADAPTERS, GLASS))["values"]["focus_error"]
        return error["value"] - bench.truth()["focus_error_um"], error["u"], error["U"]


def test_intervals_hold_the_truth(tmp_path: Path) -> None:
    off = [run(found(tmp_path / str(seed), seed), seed) for seed in SEEDS]
    assert len({by for by, _, _ in off}) == len(SEEDS), "each is another bench"
    assert all(abs(by) <= 2.0 * U for by, _, U in off), off
    assert sum(abs(by) <= U for by, _, U in off) >= 2, off
    rms = math.sqrt(sum((by / u) ** 2 for by, u, _ in off) / len(off))
    # Three squares of a standard normal deviate lie in here but for twice in a thousand.
    low, high = (math.sqrt(stats.chi2.ppf(p, len(off)) / len(off)) for p in (0.001, 0.999))
    assert low <= rms <= high, off
