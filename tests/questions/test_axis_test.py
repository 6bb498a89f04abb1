"""The finding of an axis test: what comes into force of it, and what keeps it from that."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.assessments.finding import Finding
from benchd.devices import GaugeSpec
from benchd.errors import Refused
from benchd.questions.axis_test.assessment import AxisInput, assess

HEAD = {
    "finding": "", "assessment": "axis_test", "run": "r-0002", "setup": 3, "lens": None, "job": None,
    "at": "2031-04-05T09:20:02Z", "version": "0.1.0",
}  # fmt: skip
GAUGE = GaugeSpec(-5000.0, 5000.0, 1.0, 2.0, 3e-4, "deeper")
GIVEN = AxisInput(HEAD, (0, 109), "r-0002", 2000.0, GAUGE, 3.5e-6, "typed, setup-3")
PLACES = np.array([200.0 + 730.0 * index for index in range(11)])


def runs(lost_um: float, pitch: float = 2e-3, s_um: float = 0.6) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Five runs of deviations: a wave of 6 um, and what is lost on reversal."""
    rng = np.random.default_rng(7)
    true = pitch * PLACES + 6.0 * np.sin(2 * np.pi * PLACES / 2000.0)
    below, above = (true + half + s_um * rng.standard_normal((5, 11)) for half in (-lost_um / 2, lost_um / 2))
    return below, above


def found(lost_um: float = 20.0, **more: Any) -> Finding:
    return assess(PLACES, *runs(lost_um, **more), GIVEN)


def test_pitch_wave_and_one_approach_come_into_force_and_the_pitch_says_how_to_take_it_off() -> None:
    finding = found()
    assert {one.artefact: one.value for one in finding.calibrates} == {
        "steps-pitch": "pitch", "steps-periodic": "periodic", "steps-backlash": "one_sided",
    }  # fmt: skip
    values = finding.values
    for key, true in (("pitch", 2e-3), ("periodic", 6.0), ("reversal", -20.0)):
        value = values[key]
        assert value.value is not None
        assert value.U is not None
        assert abs(value.value - true) <= value.U, key
    assert values["one_sided"].u == pytest.approx(0.6, rel=0.2)
    assert values["one_sided"].dof == pytest.approx(88.0)
    assert any("multiply `um_per_unit`" in note and "1.00" in note for note in finding.notes)
    lines = {line.term: line.u for line in finding.budgets["pitch"]}
    assert lines["gauge gain"] == 3e-4, "no gauge tells a pitch better than its own gain"


def test_a_pitch_that_is_not_seen_to_be_off_is_left_alone() -> None:
    assert not any("multiply" in note for note in found(pitch=0.0).notes)


def test_a_gauge_that_always_shows_the_same_hides_no_more_than_its_step() -> None:
    assert found(s_um=0.0).values["one_sided"].u == pytest.approx(1.0 / 12.0**0.5)


def test_more_lost_on_reversal_than_a_run_up_takes_up_is_relative_and_says_what_to_mend() -> None:
    finding = found(lost_um=130.0)
    assert finding.absolute is False
    assert any("mend or preload the nut" in note for note in finding.notes)


def test_places_that_come_round_with_the_screw_are_refused_with_what_to_change() -> None:
    below, above = runs(20.0)
    with pytest.raises(Refused, match="come round") as refused:
        assess(np.array([200.0 + 1000.0 * index for index in range(11)]), below, above, GIVEN)
    assert "step_um" in refused.value.advice
