"""The rate of edge regions, on this machine."""

from __future__ import annotations

import time

from benchd.imaging.speed import regions_per_second


def test_a_rate_is_measured() -> None:
    # How high it is depends on the machine and is for the benchmark to tell.
    assert 0.0 < regions_per_second(time.perf_counter, rounds=1) < float("inf")
