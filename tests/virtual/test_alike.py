"""`scripts/alike` in its short form: each of its pairs on a bench drawn anew, in virtual time."""

from __future__ import annotations

from pathlib import Path

import pytest

from alike import all_of
from alike_pairs import PAIRS
from finding_bench import ready, with_marks
from tests.virtual.benches import PACE, VirtualBench, person


@pytest.mark.parametrize("seed", [1])
async def test_each_pair_agrees(tmp_path: Path, seed: int) -> None:
    """Beyond twice the interval an honest bench is once in 10,000 times; how many are beyond it the script counts."""
    async with (
        VirtualBench(tmp_path, seed=seed, pace=PACE, change=with_marks) as bench,
        person(bench) as (client, technician),
    ):
        row = await all_of(list(PAIRS), await ready(bench, client, technician))
    assert set(row) == set(PAIRS)
    for name, one in row.items():
        assert one.off.u > 0.0
        assert abs(one.off.value) <= 2.0 * one.off.U, (name, one)
