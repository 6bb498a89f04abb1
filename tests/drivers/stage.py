"""The axis of the shipped bench file, as the tests of its driver change it."""

from __future__ import annotations

from typing import Any

from benchd_drivers.gcode_config import GcodeAxisConfig, GcodeRotaryConfig


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


def ring_config(letter: str = "X", **changes: Any) -> GcodeRotaryConfig:
    """A ring of `configs/workshop-rings`."""
    return GcodeRotaryConfig(
        **{
            "letter": letter,
            "deg_per_unit": 10.0,
            "zero_at": -32.0,
            "travel_deg": (0.0, 290.0),
            "top_speed_deg_s": 60.0,
            "acceleration_deg_s2": 400.0,
            "home_search_deg": 330.0,
            "resolution_deg": 0.01,
            **changes,
        }
    )
