"""The axis of the shipped bench file, as the tests of its driver change it."""

from __future__ import annotations

from typing import Any

from benchd_drivers.gcode_config import GcodeAxisConfig


def stage_config(**changes: Any) -> GcodeAxisConfig:
    """The stage of `configs/workshop`, a stock board's machine space."""
    return GcodeAxisConfig(
        **{
            "letter": "Z",
            "positive": "shallower",
            "zero_at": -1.0,
            "travel_um": (0, 30000),
            "top_speed_um_s": 4000,
            "acceleration_um_s2": 20000,
            "home_search_um": 32000,
            **changes,
        }
    )
