"""Which sweeps of a run go together: those of one curve, and those of a plate out, in, in, out."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from benchd.bench.sweep.sweep_data import SweepData, SweepPoint
from benchd.errors import Refused
from benchd.questions.glass_toggle import GlassToggle, out_in_in_out
from benchd.questions.through_focus import best_focus, comparable_sweeps


def swept(**changes: Any) -> SweepData:
    same: dict[str, Any] = {"glass": (), "merit": "edge", "lp_mm": 40.0, "f_number": 2.0, "detector": "detector"}
    return SweepData(setup=3, u_frequency_rel=1e-4, hwhm_um=36.0, **(same | changes))


def test_sweeps_that_measured_the_same_are_one_curve() -> None:
    first, second = swept(), swept()
    assert comparable_sweeps([first, second]) == ([first, second], [])


@pytest.mark.parametrize(
    "other", [{"lp_mm": 20.0}, {"f_number": 2.8}, {"merit": "pairs"}, {"detector": "other camera"}]
)
def test_a_sweep_of_something_else_is_left_out_with_a_note(other: dict[str, Any]) -> None:
    odd, first, last = swept(**other), swept(), swept()
    kept, notes = comparable_sweeps([odd, first, last])
    assert kept == [first, last]
    (note,) = notes
    assert note.startswith("1 sweep of this run")


def test_none_is_taken_from_before_one_that_differs() -> None:
    """A finding's readings are all those between its first and last index: recomputed, they must give its curve."""
    before, odd, last = swept(), swept(lp_mm=20.0), swept()
    kept, notes = comparable_sweeps([before, odd, last])
    assert kept == [last]
    assert kept[0] is last
    assert notes[0].startswith("2 sweeps of this run")


def test_the_last_sweep_says_which() -> None:
    coarse, fine = swept(lp_mm=10.0), swept(lp_mm=40.0)
    kept, notes = comparable_sweeps([coarse, coarse, fine])
    assert kept == [fine]
    assert notes[0].startswith("2 sweeps of this run")


PEAK_UM = 3.0
EVIDENCE: Any = SimpleNamespace(light_nm=546.0, position_u_um=0.0, arrangement=SimpleNamespace(curve_width=1.0))


def moved(way_um: float, merit: str) -> SweepData:
    """A sweep of a bell, each reading the mean over a way at the most."""
    offsets = [4.0 * i + (way_um > 0.0) for i in range(-18, 19)]
    points = [
        SweepPoint(i, z, z, i + 100.0 * way_um, 0, {"light": (math.exp(-(((z - PEAK_UM) / 35.0) ** 2)), 1e-3)})
        for i, z in enumerate(offsets)
    ]
    data = swept(merit=merit, points=points, f_number=2.0)
    data.way_um = way_um
    return data


def test_sweeps_blurred_by_different_ways_are_not_fitted_as_one_curve() -> None:
    """Where the curve that is fitted goes by the way: at rest and in motion, or at other speeds."""
    for ways_um in ((0.0, 4.0), (3.0, 4.0)):
        with pytest.raises(Refused, match=r"different curves.* 4 µm in another") as caught:
            best_focus([moved(way_um, "meter") for way_um in ways_um], EVIDENCE)
        assert "one mode" in caught.value.advice


def test_sweeps_of_a_modulation_are_fitted_together_in_any_mode() -> None:
    fit = best_focus([moved(0.0, "edge"), moved(4.0, "edge")], EVIDENCE)
    assert fit.peak_um == pytest.approx(PEAK_UM, abs=0.05)


OUT: tuple[str, ...] = ()
PANE = ("pane-25",)


def test_a_plate_out_in_in_out_is_named() -> None:
    both = ("pane-25", "pane-10")
    assert out_in_in_out([swept(glass=one) for one in (OUT, PANE, PANE, OUT)]) == PANE
    assert out_in_in_out([swept(glass=one) for one in (OUT, both, both, OUT)]) == both


@pytest.mark.parametrize(
    ("turns", "had"),
    [
        ([PANE, OUT, OUT, PANE], "pane-25, no glass, no glass, pane-25"),
        ([OUT, PANE, OUT, PANE], "no glass, pane-25, no glass, pane-25"),
        ([OUT, OUT, OUT, OUT], "no glass, no glass, no glass, no glass"),
        ([PANE, PANE, PANE, PANE], "pane-25, pane-25, pane-25, pane-25"),
        ([OUT, PANE, ("pane-10",), OUT], "no glass, pane-25, pane-10, no glass"),
        ([OUT, PANE, ("pane-25", "pane-10"), OUT], "no glass, pane-25, pane-25 with pane-10, no glass"),
    ],
)
def test_four_sweeps_in_any_other_turn_are_refused_with_what_they_had(turns: list[tuple[str, ...]], had: str) -> None:
    with pytest.raises(Refused) as caught:
        out_in_in_out([swept(glass=one) for one in turns])
    assert caught.value.code == "not_found"
    assert had in caught.value.text
    assert "`glass: []` before the first and the fourth sweep" in caught.value.advice


def test_of_a_plate_out_in_in_out_are_four_alike() -> None:
    four = [swept(glass=one) for one in (OUT, PANE, PANE, OUT)]
    for taken in (3, 5):
        with pytest.raises(Refused, match=f"holds {taken}"):
            GlassToggle().check_sweeps(taken)
    GlassToggle().check_sweeps(4)
    with pytest.raises(Refused, match="did not measure the same"):
        out_in_in_out([*four[:3], swept(lp_mm=20.0)])
