"""A continuous sweep against a stepped one where machines cost no time: what the hardware's own motions leave."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench_continuous import LEAST_POINT_S, MANY, compared, times_quicker, world_with_region
from bench_ready import make_ready
from tests.virtual import worker
from tests.virtual.benches import VirtualBench

ANALYSED_S = (0.003, 0.006)
"""What four edges of a region take: README tells 240 pictures a second of nine."""


async def test_the_same_uncertainty_takes_a_tenth_of_the_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At 60 pictures a second, of a stepped point's 0.32 s and more."""
    monkeypatch.setattr(worker, "TAKES_S", ANALYSED_S)
    bench = VirtualBench(tmp_path / "bench", world=str(world_with_region(tmp_path)))
    bench.stream_hz = 60.0
    async with bench, bench.client("bench") as client:
        await make_ready(bench, client)
        modes = await compared(client, 1)
    stepped = modes["stepped"]
    assert MANY * stepped.pass_s / stepped.many.readings >= LEAST_POINT_S
    assert times_quicker(modes) >= 10.0, modes
