"""Which sweeps of a run make one curve: those that measured the same thing as the last."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.bench.sweep_data import SweepData, alike


def swept(**changes: Any) -> SweepData:
    same: dict[str, Any] = {"merit": "edge", "lp_mm": 40.0, "f_number": 2.0, "detector": "detector"}
    return SweepData(setup=3, glass=(), u_frequency_rel=1e-4, hwhm_um=36.0, **(same | changes))


def test_sweeps_that_measured_the_same_are_one_curve() -> None:
    first, second = swept(), swept()
    assert alike([first, second]) == ([first, second], [])


@pytest.mark.parametrize(
    "other", [{"lp_mm": 20.0}, {"f_number": 2.8}, {"merit": "pairs"}, {"detector": "other camera"}]
)
def test_a_sweep_of_something_else_is_left_out_with_a_note(other: dict[str, Any]) -> None:
    odd, first, last = swept(**other), swept(), swept()
    kept, notes = alike([odd, first, last])
    assert kept == [first, last]
    (note,) = notes
    assert note.startswith("1 sweep of this run")


def test_none_is_taken_from_before_one_that_differs() -> None:
    """A finding's readings are all those between its first and last index: recomputed, they must give its curve."""
    before, odd, last = swept(), swept(lp_mm=20.0), swept()
    kept, notes = alike([before, odd, last])
    assert kept == [last]
    assert kept[0] is last
    assert notes[0].startswith("2 sweeps of this run")


def test_the_last_sweep_says_which() -> None:
    coarse, fine = swept(lp_mm=10.0), swept(lp_mm=40.0)
    kept, notes = alike([coarse, coarse, fine])
    assert kept == [fine]
    assert notes[0].startswith("2 sweeps of this run")
