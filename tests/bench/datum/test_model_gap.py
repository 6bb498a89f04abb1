"""The gap of a lens by two walls: its own where it was measured itself, else by specimens of its model that were."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from benchd.assessments.finding import AtWall
from benchd.bench.datum.chain import CalibrationInForce, Chain
from benchd.bench.datum.model_gap import SPECIMENS_UM, gap_artefact
from benchd.files.bench_file import ArrangementEntry
from benchd.files.loading import LoadedBench
from benchd.metrology.budget import Part
from tests.bench.datum.wall_chain import BASE, chain_of

MODEL, LENS, TWIN = "Tarnbeck 50", "L-0417", "L-0418"
M = {"value": 0.0101217, "u": 0.0101217 * 5.5e-4, "by": "marks", "across_px": 560.0}
MARKS_MM, PITCH_MM, U_REL = 220.0, 10.0, 5e-4
STANDS: dict[str, Any] = {"distance_mm": 5000.0, "ring": "infinity", "m": M}


def with_marks(bench: LoadedBench) -> LoadedBench:
    file = bench.file
    marks = {"marks_apart_mm": MARKS_MM, "u_marks_apart_mm": 0.1, "u_distortion": 2e-4}
    entry = ArrangementEntry.model_validate({"kind": "wall", **marks})
    target = file.target.model_copy(update={"pitch_mm": PITCH_MM})
    return replace(bench, file=file.model_copy(update={"arrangement": entry, "target": target}))


def found(number: int, lens: str | None, gap_mm: float, **other: Any) -> CalibrationInForce:
    """A gap of that specimen, measured to 2 mm beside a tape of 3."""
    at_wall = AtWall.model_validate({
        "own_u_um": 2000.0, "distance_mm": 5000.0, "u_distance_mm": 3.0, "m_u_rel": U_REL, "marks_mm": MARKS_MM,
        "pitch_mm": PITCH_MM, "across_px": 560.0, **other,
    })  # fmt: skip
    name = gap_artefact(MODEL, lens)
    return CalibrationInForce(f"cal-{number}", name, 1000.0 * gap_mm, 6000.0, setup=number, at_wall=at_wall, lens=lens)


def chain(bench: LoadedBench, *known: CalibrationInForce, lens: str = LENS) -> Chain:
    # As if nobody had stated another distance since: it is the same wall.
    marked = with_marks(bench)
    return chain_of(marked, {**BASE, **{one.artefact: one for one in known}}, lens=lens, **STANDS)


def gap_part(chain: Chain) -> Part:
    assert chain.conjugate is not None
    (part,) = [part for part in chain.conjugate.parts if part.name == "gap"]
    return part


def shift_um(gap_mm: float) -> float:
    """(T - h) (m / (1 + m))^2."""
    return 1000.0 * (5000.0 - gap_mm) * (0.0101217 / 1.0101217) ** 2


UM_PER_MM = 1000.0 * (0.0101217 / 1.0101217) ** 2


def test_a_specimen_that_was_measured_has_its_own(wall: LoadedBench) -> None:
    one, other = found(11, LENS, -4.0), found(12, TWIN, 8.0)
    for lens, gap_mm, cited in ((LENS, -4.0, "cal-11"), (TWIN, 8.0, "cal-12")):
        by_own = chain(wall, one, other, lens=lens)
        assert by_own.conjugate is not None
        assert by_own.conjugate.value_um == pytest.approx(shift_um(gap_mm))
        assert gap_part(by_own).u == pytest.approx(2.0 * UM_PER_MM)
        assert by_own.calibrations.count(cited) == 1
        assert ("cal-11" in by_own.calibrations) != ("cal-12" in by_own.calibrations)


def test_by_one_specimen_another_is_taken_to_differ_and_that_is_said(wall: LoadedBench) -> None:
    by_twin = chain(wall, found(11, TWIN, -4.0))
    assert by_twin.conjugate is not None
    assert by_twin.conjugate.value_um == pytest.approx(shift_um(-4.0))
    apart = math.sqrt(2.0) * SPECIMENS_UM / 1000.0  # two of them
    assert gap_part(by_twin).u == pytest.approx(math.hypot(2.0, apart) * UM_PER_MM)
    (note,) = [note for note in by_twin.notes if "Gap of the principal planes" in note]
    assert "with another specimen (cal-11)" in note


def test_by_several_it_is_their_mean_and_their_scatter_counts(wall: LoadedBench) -> None:
    """Three of them, each to .5 mm beside a tape of 1: 0, 4.5 and 9 mm have s = 4.5, far more than specimens are stated
    to and what measuring them adds, so that one more has u = 4.5 sqrt(4/3), two degrees of freedom."""
    surely = {"own_u_um": 500.0, "u_distance_mm": 1.0}
    by_three = chain(wall, *(found(11 + i, f"L-{i}", 4.5 * i, **surely) for i in range(3)))
    assert by_three.conjugate is not None
    assert by_three.conjugate.value_um == pytest.approx(shift_um(4.5))
    u_gap = 4.5 * math.sqrt(4.0 / 3.0) * UM_PER_MM
    assert gap_part(by_three).u == pytest.approx(u_gap)
    u_all = math.hypot(*(part.u for part in by_three.conjugate.parts))
    assert by_three.conjugate.dof == pytest.approx(2.0 * (u_all / u_gap) ** 4)
    assert {"cal-11", "cal-12", "cal-13"} <= set(by_three.calibrations)
    (note,) = [note for note in by_three.notes if "Gap of the principal planes" in note]
    assert "4.5 mm by two walls, the mean of 3 specimens (cal-11, cal-12, cal-13) that scatter by 4.5 mm" in note


def test_specimens_that_agree_are_as_far_apart_as_is_stated(wall: LoadedBench) -> None:
    """At the same wall, each to 2 mm: of their mean half of both is left, and one more differs as it is stated."""
    agreeing = chain(wall, found(11, "L-1", 5.0), found(12, "L-2", 5.01))
    own = SPECIMENS_UM / 1000.0
    assert gap_part(agreeing).u == pytest.approx(math.sqrt(own**2 + (own**2 + 2.0**2) / 2.0) * UM_PER_MM)


def test_where_the_tape_was_held_anew_it_is_in_gap_and_distance(wall: LoadedBench) -> None:
    """Another distance was stated since all three: the tape's 3 mm are in each gap, and once in the distance."""
    three = [found(number, f"L-{number}", 5.0 + 0.1 * number) for number in (-3, -2, -1)]
    at_wall = chain(wall, *three)
    own, measured = SPECIMENS_UM / 1000.0, math.hypot(2.0, 3.0)
    assert gap_part(at_wall).u == pytest.approx(math.sqrt(own**2 + (own**2 + measured**2) / 3.0) * UM_PER_MM)
    assert at_wall.conjugate is not None
    (distance,) = [part for part in at_wall.conjugate.parts if part.name == "distance"]
    assert distance.u == pytest.approx(3.0 * UM_PER_MM, rel=0.01)


def test_a_specimen_counts_once_by_its_last(wall: LoadedBench) -> None:
    """An older record holds one calibration of the model, whose finding names the lens."""
    older = replace(found(9, "L-1", 30.0), artefact=gap_artefact(MODEL))
    by_two = chain(wall, older, found(11, "L-2", 0.0), found(12, "L-1", 6.0))
    assert by_two.conjugate is not None
    assert by_two.conjugate.value_um == pytest.approx(shift_um(3.0))
    assert "cal-9" not in by_two.calibrations
    alone = chain(wall, replace(older, lens=LENS))
    assert alone.conjugate is not None
    assert alone.conjugate.value_um == pytest.approx(shift_um(30.0))


def test_by_other_marks_specimens_are_not_averaged(wall: LoadedBench) -> None:
    """The scale of m would cancel in some and not in others: those that were measured as the last one count."""
    mixed = chain(wall, found(11, "L-1", 40.0, marks_mm=150.0), found(12, "L-2", 0.0), found(13, "L-3", 9.0))
    assert mixed.conjugate is not None
    assert mixed.conjugate.value_um == pytest.approx(shift_um(4.5))
    assert "cal-11" not in mixed.calibrations


def test_another_model_is_another_gap(wall: LoadedBench) -> None:
    other = replace(found(11, TWIN, 30.0), artefact=gap_artefact("Tarnbeck 5", TWIN))
    assert not any("Gap of the principal planes" in note for note in chain(wall, other).notes)


@pytest.mark.parametrize(("by", "same"), [("marks", True), ("pitch", False)])
def test_m_told_by_what_the_file_no_longer_states_cancels_nothing(wall: LoadedBench, by: str, same: bool) -> None:
    one = found(11, LENS, 0.0)
    told = chain_of(with_marks(wall), {**BASE, one.artefact: one}, **{**STANDS, "m": {**M, "by": by}})
    assert any("by the same marks" in note for note in told.notes) is same
