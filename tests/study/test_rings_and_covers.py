"""Findings at a stop, at a mark and behind a cover against the simulator's truth: calibrations, sweep and chain whole.

Benches are drawn anew for each case. Bounds are those of chance: the mean of n errors over their u lies within 4.5 of
1/sqrt(n), the mean of their squares within 5 of sqrt(2/n) about 1.
"""

from __future__ import annotations

import re
from dataclasses import replace
from math import sqrt

import pytest

from study_cases import Outcome, carry_out, run_case
from study_print import print_case
from study_strata import REFERENCE, Stratum

SEED, CASES = 20260101, 60
STOP = replace(REFERENCE, name="ring at its stop", ring="hard_stop")
MARK = replace(REFERENCE, name="ring at the mark 2 m", ring=2.0)
COVERED = replace(REFERENCE, name="covered target", covered=True)
SENSOR = replace(REFERENCE, name="sensor behind cover and air", arrangement="collimated", covered=True, air_behind=True)


def cases_of(stratum: Stratum) -> list[Outcome]:
    found = [run_case(stratum, SEED, index) for index in range(CASES)]
    assert not [one.refused for one in found if one.refused]
    return found


@pytest.mark.parametrize("stratum", [STOP, MARK, COVERED, SENSOR], ids=lambda one: one.name)
def test_finding_and_truth_mean_the_same_error(stratum: Stratum) -> None:
    z = [one.error_um / one.u_um for one in cases_of(stratum)]
    assert abs(sum(z) / CASES) < 4.5 / sqrt(CASES)
    assert abs(sum(one * one for one in z) / CASES - 1.0) < 5.0 * sqrt(2.0 / CASES)


def test_a_cover_has_its_lines_in_calibration_and_finding() -> None:
    case = carry_out(COVERED, SEED, 1)
    assert case.finding is not None
    assert "target_cover" in [line.term for line in case.finding.budgets["focus_error"]]
    assert "target cover" in [line.term for line in case.bench.findings["bench-zero"].budgets["length"]]
    assert abs(case.outcome.parts["target_cover"]) < 4.0 * case.outcome.lines["target_cover"]


def test_air_behind_a_cover_moves_no_image_and_lengthens_the_bench() -> None:
    """It could not be stated: the base came out short by its whole width, half a millimetre."""
    bare, airy = (carry_out(replace(SENSOR, air_behind=air), SEED, 1) for air in (False, True))
    gap = airy.world.draws.known("target.cover.1.air_gap_mm")
    assert gap is not None
    # The base is found through cover and gap: what the gap is off by is in it, and moves no image.
    off_by_um = airy.outcome.parts["target_cover"] - bare.outcome.parts["target_cover"]
    assert off_by_um == pytest.approx(1000.0 * (gap.record - gap.true), abs=1e-6)
    read = [case.bench.findings["bench-zero"] for case in (bare, airy)]
    short, long = (one.values["length"].value for one in read)
    assert short is not None
    assert long is not None
    assert long - short == pytest.approx(1000.0 * (gap.record - gap.true), abs=1.0)
    (line,) = (one for one in read[1].budgets["length"] if one.term == "target cover")
    assert line.u == pytest.approx(1000.0 * (0.003**2 + 0.004**2) ** 0.5)


def test_a_case_printed_whole_adds_up_to_its_truth(capsys: pytest.CaptureFixture[str]) -> None:
    print_case(COVERED, SEED, 1)
    told = " ".join(capsys.readouterr().out.split())
    line = re.search(r"truth: peak (.+?) = (\S+) µm", told)
    assert line is not None
    peak, *taken_off = [float(number) for number in re.findall(r"-?\d+\.\d+", line[1])]
    assert "cover" in line[1]
    assert peak - sum(taken_off) == pytest.approx(float(line[2]), abs=0.003)


def test_the_stop_is_part_of_the_error() -> None:
    case = carry_out(STOP, SEED, 1)
    known = case.world.draws.known("lens.L-0417.stop_overrun_um")
    assert known is not None
    at_infinity = carry_out(replace(STOP, ring="infinity"), SEED, 1)
    assert case.truth.error_um - at_infinity.truth.error_um == pytest.approx(known.true, abs=1e-3)
    assert case.finding is not None
    assert any("place of the stop" in note for note in case.finding.notes)
