"""The simulator's strip of bars: drawn where it is said to be, as dark as it is, its pitch as far off as a rule."""

from __future__ import annotations

import numpy as np
import pytest

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.strip import LENGTH_MM, PRINTED_MM, RULE_MM, hung, passing_bars


@pytest.mark.parametrize("turn_deg", [0.0, 31.0, 90.0])
def test_a_bar_covers_its_area_about_its_middle(turn_deg: float) -> None:
    light = passing_bars([(10.3, -4.6, 6.2, 15.4, turn_deg)], 0.1, 160, 120)
    dark = (1.0 - light) / 0.9
    assert dark.sum() == pytest.approx(4.0 * 6.2 * 15.4, rel=0.01)
    y, x = np.indices(dark.shape)
    assert (dark * x).sum() / dark.sum() - 79.5 == pytest.approx(10.3, abs=0.03)
    assert (dark * y).sum() / dark.sum() - 59.5 == pytest.approx(-4.6, abs=0.03)
    assert light.min() == pytest.approx(0.1)


def test_its_pitch_is_off_by_a_rule_over_its_length_and_its_bars_by_their_print() -> None:
    strips = [hung(Draws(seed), 1, 10.0) for seed in range(400)]
    off = [strip.pitch_mm - 10.0 for strip in strips if strip is not None]
    assert np.std(off) == pytest.approx(RULE_MM / (LENGTH_MM / 10.0), rel=0.1)
    places = [np.std(strip.off_mm) for strip in strips if strip is not None]
    assert np.sqrt(np.mean(np.square(places))) == pytest.approx(PRINTED_MM, rel=0.1)
    assert all(strip is not None and len(strip.in_picture(2.5)) == 17 for strip in strips)


@pytest.mark.parametrize(
    "value", [0.5, True, "ten", {"pitch_mm": 10.0, "bars": 0}, {"bars": 12}, {"pitch_mm": 5, "left": 1}]
)
def test_no_such_strip_is_hung(value: object) -> None:
    with pytest.raises(HandRefused, match="A strip has"):
        hung(Draws(1), 1, value)


def test_none_takes_it_off() -> None:
    assert hung(Draws(1), 1, None) is None
