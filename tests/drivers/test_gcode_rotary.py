"""A ring on a G-code board, whose unit may be many degrees: what the board rounds takes no trust away."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

from benchd.bench.rings.turner import Turns
from tests.drivers.stage import ring_config

STEPS_A_UNIT = 12_800
DIGITS = 3
"""Of a position in a report."""


@pytest.mark.parametrize("deg_per_unit", [1.0, 10.0, 50.0, 100.0, 130.0, 200.0, 360.0, 1000.0])
def test_rounding_alone_is_never_taken_for_a_stall(deg_per_unit: float) -> None:
    """It ends at the nearest step; a report gives the work's coordinate and its offset, rounded each."""
    config = ring_config(deg_per_unit=deg_per_unit, zero_at=-1.2347, resolution_deg=None)
    offset = -0.73454
    off_deg = []
    for angle_deg in np.random.default_rng(5).uniform(5.0, 290.0, 2000):
        stands = round(float(f"{config.number_of(float(angle_deg)):.4f}") * STEPS_A_UNIT) / STEPS_A_UNIT
        told = round(stands - offset, DIGITS) + round(offset, DIGITS)
        off_deg.append(abs(config.place_of(told) - angle_deg))
    assert max(off_deg) <= Turns(config.spec()).tolerance_deg
    assert max(off_deg) > 0.7e-3 * deg_per_unit, "the roundings do add up"


@pytest.mark.parametrize(("deg_per_unit", "least"), [(10.0, "0.01 deg"), (360.0, "0.36 deg")])
def test_a_resolution_finer_than_is_told_is_refused(deg_per_unit: float, least: str) -> None:
    """A turn is held to twice the resolution: at a fifth of the least most of them would fail."""
    with pytest.raises(ValidationError, match=f"resolution_deg: at least {least}, a thousandth of `deg_per_unit`"):
        ring_config(deg_per_unit=deg_per_unit, resolution_deg=0.2e-3 * deg_per_unit)
    assert ring_config(deg_per_unit=deg_per_unit, resolution_deg=1e-3 * deg_per_unit).resolution == 1e-3 * deg_per_unit


@pytest.mark.parametrize(("deg_per_unit", "resolution_deg"), [(1.0, 0.05), (10.0, 0.05), (50.0, 0.05), (360.0, 0.36)])
def test_what_is_left_out_is_a_usual_step_or_what_is_told(deg_per_unit: float, resolution_deg: float) -> None:
    config = ring_config(deg_per_unit=deg_per_unit, resolution_deg=None)
    assert config.spec().resolution == pytest.approx(resolution_deg)
