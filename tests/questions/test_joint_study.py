"""What a mated pair adds, from made seatings: components, the sweeps' own scatter, drift, designs that do not tell."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchd.assessments.finding import Finding
from benchd.assessments.improvements import advice_for
from benchd.bench.sweep.sweep_data import SweepData
from benchd.errors import Refused
from benchd.metrology.distribution import coverage_factor
from benchd.procedures.library import Library
from benchd.questions.joint_study import JointStudy, check_comparable
from benchd.questions.joint_study.assessment import JointInput, Seating, assess

HEAD = {
    "finding": "", "assessment": "joint_study", "run": "r-0009", "setup": 20, "lens": None, "job": None,
    "at": "2031-04-05T09:20:02Z", "version": "0",
}  # fmt: skip
GIVEN = JointInput(HEAD, "joint", {"arrangement": "wall"}, (0, 155), stand_off=True)
U_UM, DOF = 0.1, 10.0


def seatings(
    focus_um: Callable[[int, int, int], float], lenses: int = 1, people: int = 1, trials: int = 6, u_um: float = U_UM
) -> list[Seating]:
    """In turns, a minute each; `focus_um` of lens, person, trial."""
    turns = [(i, j, k) for k in range(trials) for j in range(people) for i in range(lenses)]
    return [Seating(f"L-{i}", f"P-{j}", focus_um(i, j, k), u_um, DOF, 60.0 * n) for n, (i, j, k) in enumerate(turns)]


def value(found: Finding, key: str) -> float:
    stated = found.values[key].value
    assert stated is not None
    return stated


def u_of(found: Finding) -> float:
    u = found.values["joint"].u
    assert u is not None
    return u


SIX = (0.9, -0.6, 0.3, -0.8, 0.4, -0.2)
"""Their variance is 0.42."""


def test_one_lens_by_one_person_is_a_standard_deviation_less_that_of_the_sweeps() -> None:
    found = assess(seatings(lambda i, j, k: 51000.0 + SIX[k]), GIVEN)
    joint = found.values["joint"]
    assert joint.value == 0.0
    assert u_of(found) == pytest.approx(math.sqrt(0.42 - U_UM**2))
    # Satterthwaite of a difference: (a - b)^2 / (a^2 / 5 + b^2 / 60), b the mean of six variances of ten each.
    assert joint.dof == pytest.approx((0.42 - 0.01) ** 2 / (0.42**2 / 5.0 + 0.01**2 / 60.0))
    assert joint.k == pytest.approx(coverage_factor(joint.dof))
    assert [line.term for line in found.budgets["joint"]] == ["repeatability"]
    assert found.values["interaction"].value is None
    assert found.values["reproducibility"].value is None
    assert any("what other hands would add is not in it" in note for note in found.notes)
    (entry,) = found.calibrates
    assert (entry.artefact, entry.value) == ("joint", "joint")
    assert found.absolute
    assert found.lens is None
    assert [row[0] for row in found.tables["variance"].rows] == ["repetition", "total"]
    assert [row[3] for row in found.tables["seatings"].rows] == pytest.approx(SIX)


def test_lenses_may_differ_by_as_much_as_they_like() -> None:
    alike = assess(seatings(lambda i, j, k: SIX[k], lenses=2), GIVEN)
    apart = assess(seatings(lambda i, j, k: SIX[k] + 17.0 * i, lenses=2), GIVEN)
    assert u_of(apart) == pytest.approx(u_of(alike))


def test_people_who_seat_differently_are_in_it_with_few_degrees_of_freedom() -> None:
    def focus(i: int, j: int, k: int) -> float:
        return 10.0 * i + 2.0 * j + SIX[(k + 2 * i + j) % 6]

    found = assess(seatings(focus, 3, 2, 6), GIVEN)
    lines = {line.term: line for line in found.budgets["joint"]}
    by = lines["reproducibility"].u
    assert by == pytest.approx(math.sqrt(2.0), rel=0.05), "two people 2 um apart"
    assert u_of(found) == pytest.approx(math.hypot(*(line.u for line in lines.values())))
    dof = found.values["joint"].dof
    assert dof is not None
    assert 1.0 < dof < 2.0
    assert any("more people make it surer" in note for note in found.notes)
    assert value(found, "reproducibility") == pytest.approx(by)
    assert found.values["interaction"].value == 0.0


def test_people_who_seat_some_lenses_otherwise_are_an_interaction() -> None:
    def focus(i: int, j: int, k: int) -> float:
        return 3.0 * (1 if (i + j) % 2 else -1) + SIX[k]

    found = assess(seatings(focus, 2, 2, 6), GIVEN)
    # The four cells are +-3 off what lens and person add: MS = 6 x 36 on one degree of freedom.
    assert value(found, "interaction") == pytest.approx(math.sqrt((6 * 36.0 - 0.42) / 6.0))
    assert {line.term for line in found.budgets["joint"]} == {"repeatability", "interaction"}


def test_with_one_lens_people_and_their_interaction_are_one_line() -> None:
    found = assess(seatings(lambda i, j, k: 2.0 * j + SIX[k], people=2), GIVEN)
    assert found.values["interaction"].value is None
    assert value(found, "reproducibility") == pytest.approx(math.sqrt(2.0 - 0.42 / 6.0))
    assert any(note.startswith("Of one lens") for note in found.notes)


@pytest.mark.parametrize(("u_um", "taken_off"), [(0.45, True), (0.47, False), (2.0, False)])
def test_what_sweeps_scatter_by_is_taken_off_up_to_a_half(u_um: float, taken_off: bool) -> None:
    found = assess(seatings(lambda i, j, k: SIX[k], u_um=u_um), GIVEN)
    assert u_of(found) == pytest.approx(math.sqrt(0.42 - u_um**2 if taken_off else 0.42))
    assert any("upper value" in note for note in found.notes) is not taken_off
    assert value(found, "sweep") == pytest.approx(u_um)
    assert u_of(found) >= math.sqrt(0.21)


@pytest.mark.parametrize(("um_an_hour", "way"), [(20.0, "deeper"), (-20.0, "shallower"), (0.0, None)])
def test_a_drift_is_told_and_makes_it_more(um_an_hour: float, way: str | None) -> None:
    still = seatings(lambda i, j, k: 5.0 * i + SIX[(k + 3 * i) % 6], lenses=2)
    found = assess([replace(one, focus_um=one.focus_um + um_an_hour * one.at_s / 3600.0) for one in still], GIVEN)
    notes = [note for note in found.notes if "an hour" in note]
    assert len(notes) == (way is not None)
    if way is not None:
        assert f"{way} by " in notes[0]
        assert u_of(found) > u_of(assess(still, GIVEN))


def test_without_a_bound_for_dirt_nothing_is_said_of_its_line() -> None:
    with_line, without = (
        assess(seatings(lambda i, j, k: SIX[k]), replace(GIVEN, stand_off=stated)) for stated in (True, False)
    )
    assert any("stand-off" in note for note in with_line.notes)
    assert not any("stand-off" in note for note in without.notes)


@pytest.mark.parametrize(("kinds", "trials", "enough"), [(1, 5, 6), (2, 3, 4), (3, 2, 3), (4, 2, 3), (1, 1, 6)])
def test_a_design_of_fewer_than_five_degrees_of_freedom_is_refused(kinds: int, trials: int, enough: int) -> None:
    with pytest.raises(Refused, match=f"{kinds * (trials - 1)} repeat another of the same lens") as caught:
        JointStudy.check_sweeps(kinds * trials, kinds)
    assert caught.value.code == "not_found"
    assert f"each person seat each lens {enough} times" in caught.value.advice
    JointStudy.check_sweeps(kinds * enough, kinds)


def test_a_cell_that_is_missing_is_refused_by_name() -> None:
    made = seatings(lambda i, j, k: SIX[k], 2, 2, 4)
    with pytest.raises(Refused, match="4 of L-0 by P-1, 0 of L-1 by P-0") as caught:
        assess([one for one in made if (one.lens, one.person) != ("L-1", "P-0")], GIVEN)
    assert "as often as the others" in caught.value.advice
    with pytest.raises(Refused, match="3 of L-1 by P-1"):
        assess(made[:-1], GIVEN)


def test_seatings_that_are_all_alike_are_not_believed() -> None:
    with pytest.raises(Refused, match="to the last digit"):
        assess(seatings(lambda i, j, k: 7.0), GIVEN)


@pytest.mark.parametrize(
    ("lenses", "people", "trials", "of_people_um", "interaction_um", "u_um"),
    [
        (1, 1, 6, 0.0, 0.0, 0.2),
        (1, 1, 6, 0.0, 0.0, 0.9),
        (2, 1, 4, 0.0, 0.0, 0.2),
        (2, 2, 3, 0.0, 0.0, 0.2),
        (3, 3, 3, 0.6, 0.0, 0.2),
        (3, 3, 3, 0.6, 0.5, 0.2),
        (1, 3, 3, 0.6, 0.0, 0.2),
    ],
)
def test_its_interval_holds_the_next_seating(
    lenses: int, people: int, trials: int, of_people_um: float, interaction_um: float, u_um: float
) -> None:
    """A lens that has not been seen, seated by somebody else: its joint is within U in 95 of 100, or more."""
    rng = np.random.default_rng(7)
    ev, n, held = 0.7, 800, 0
    for _ in range(n):
        of_lens, by = rng.normal(0.0, 12.0, lenses), rng.normal(0.0, of_people_um, people)
        both = rng.normal(0.0, interaction_um, (lenses, people))

        def focus(i: int, j: int, k: int, parts: Any = (of_lens, by, both)) -> float:
            of_lens, by, both = parts
            return float(of_lens[i] + by[j] + both[i, j] + rng.normal(0.0, math.hypot(ev, u_um)))

        drawn = [
            replace(one, u_um=u_um * math.sqrt(rng.chisquare(DOF) / DOF))
            for one in seatings(focus, lenses, people, trials)
        ]
        U = assess(drawn, GIVEN).values["joint"].U
        assert U is not None
        held += abs(rng.normal(0.0, math.hypot(ev, of_people_um, interaction_um))) <= U
    assert held >= 0.95 * n - 3.1 * math.sqrt(0.95 * 0.05 * n)  # 1 in 1000 below a true 95 %


def swept(seating: int, lens: str | None = "L-0417", **changes: Any) -> SweepData:
    same: dict[str, Any] = {"glass": (), "merit": "edge", "lp_mm": 40.0, "f_number": 2.0, "detector": "detector"}
    same |= {"stands": (lens, ("ring-07",), "infinity"), "distance_mm": 5000.0, "seated_by": "Ann"}
    return SweepData(setup=3, u_frequency_rel=1e-4, hwhm_um=36.0, seating=seating, **(same | changes))


def test_lenses_of_other_f_numbers_may_be_in_one_study() -> None:
    check_comparable([swept(1), swept(2, "L-0418", f_number=2.8), swept(3), swept(4, "L-0418", f_number=2.8)])


@pytest.mark.parametrize(
    ("sweeps", "text"),
    [
        ([swept(0), swept(1)], "Sweep 1 of 2 is not of a seating of its own"),
        ([swept(1), swept(2), swept(2)], "Sweep 3 of 3 is not of a seating of its own"),
        ([swept(1), swept(2, None)], "without a lens"),
        ([swept(1), swept(2, f_number=2.8)], "Seating 2 did not measure the same"),
        ([swept(1), swept(2, merit="pairs")], "Seating 2 did not measure the same"),
        ([swept(1), swept(2, "L-0418", merit="pairs")], "Seating 2 did not measure the same"),
        ([swept(1), swept(2, distance_mm=4000.0)], "Seating 2 did not measure the same"),
        ([swept(1), swept(2, glass=("pane-25",))], "Seating 2 did not measure the same"),
        ([swept(1), swept(2, stands=("L-0417", (), "infinity"))], "Seating 2 did not measure the same"),
        ([swept(1), swept(2, stands=("L-0417", ("ring-07",), "hard_stop"))], "Seating 2 did not measure the same"),
    ],
)
def test_sweeps_that_cannot_be_compared_are_refused(sweeps: Sequence[SweepData], text: str) -> None:
    with pytest.raises(Refused, match=text) as caught:
        check_comparable(sweeps)
    assert caught.value.advice


def test_it_is_said_in_one_sentence() -> None:
    alone = assess(seatings(lambda i, j, k: SIX[k]), GIVEN).as_json()
    assert JointStudy().said(alone) == (
        "A mated pair adds 0.64 µm (u, 4.7 degrees of freedom), 0.64 of it from seating to seating."
    )
    several = assess(seatings(lambda i, j, k: 2.0 * j + SIX[k], people=2), GIVEN).as_json()
    assert JointStudy().said(several).endswith("0.64 of it from seating to seating, 1.4 from person to person.")


def test_the_line_of_joints_names_what_betters_it() -> None:
    advice = advice_for("joints", None)
    assert "run joint_study" in advice  # how often the lens is to be seated is for the finding: tests/virtual
    assert "joint_study" in Library.shipped()
