"""A gauge held against a known move of the carriage: which way it counts, by what gain, and what shows nothing.

The bounds are those of what is stated: by chance a difference is 4 standard uncertainties off once in 16,000.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchd.bench.datum.gauge_check import contradiction
from benchd.bench.datum.position_terms import ScaleRecord
from benchd.devices import GaugeSpec

DEEPER = GaugeSpec(-600.0, 600.0, 0.2, 0.3, 0.001, "deeper")
SHALLOWER = replace(DEEPER, grows="shallower")
SCALE = ScaleRecord(1e-5, 0.15, 8e-6)
STEPS = ScaleRecord(5e-5, 2.5, 1.15e-5, by_steps=True, u_backlash_um=1.0, u_home_um=3.0)


def said(gauge: GaugeSpec, more_um: float, moved_um: float = 100.0, scale: ScaleRecord | None = SCALE) -> str | None:
    found = contradiction(gauge, scale, moved_um, more_um, "indicator")
    return None if found is None else f"{found.code}: {found.text} {found.advice}"


@pytest.mark.parametrize("moved_um", [100.0, -100.0, 400.0])
def test_a_gauge_that_follows_as_stated_is_taken(moved_um: float) -> None:
    assert said(DEEPER, moved_um, moved_um) is None
    assert said(SHALLOWER, -moved_um, moved_um) is None
    # Hysteresis and gain as stated: 0.3 um, and 0.1 % of the way.
    assert said(DEEPER, moved_um * 1.001 - 0.3, moved_um) is None


def test_one_that_counts_the_other_way_is_named_with_what_to_write() -> None:
    told = said(DEEPER, -100.1)
    assert told is not None
    assert told.startswith("device_fault: The carriage went deeper by 100.0 µm and indicator reads -100.1 µm more")
    assert "counts the other way than its `grows: deeper` says" in told
    assert "Write `grows: shallower`" in told
    told = said(SHALLOWER, 99.9)
    assert told is not None
    assert "Write `grows: deeper`" in told


@pytest.mark.parametrize("factor", [0.97, 1.03, 0.001, 25.4, 0.0])
def test_another_gain_than_stated_is_a_contradiction(factor: float) -> None:
    told = said(DEEPER, 100.0 * factor)
    assert told is not None
    assert f"{factor:.3g} of the way" in told
    assert "um_per_unit" in told


def test_a_move_within_what_is_loose_shows_nothing() -> None:
    told = said(DEEPER, 2.0, 2.0)
    assert told is not None
    assert told.startswith("bad_request: The carriage has moved by 2.0 µm, which shows nothing")


def test_steps_leave_the_gain_more_room_than_a_scale_does() -> None:
    """A screw whose turn errs by 2.5 um moves by 5 um more or less than its steps say."""
    assert said(DEEPER, 105.0, scale=STEPS) is None
    assert said(DEEPER, 105.0) is not None
    assert "counts the other way" in str(said(DEEPER, -105.0, scale=STEPS))


def test_where_nothing_is_stated_of_the_position_the_direction_shows_all_the_same() -> None:
    assert said(DEEPER, 95.0, scale=None) is None
    assert "counts the other way" in str(said(DEEPER, -95.0, scale=None))
