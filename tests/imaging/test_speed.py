"""The rate of edge regions, on this machine."""

from __future__ import annotations

import time

from benchd.imaging.speed import regions_per_second


def test_nine_regions_keep_pace_with_a_camera() -> None:
    # 16 ms for nine regions is sixty pictures a second; idle machines stay a factor of four below
    assert regions_per_second(time.perf_counter, rounds=15) > 9 / 0.016
