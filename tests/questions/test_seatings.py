"""Several seatings of one lens: the mean of their peaks, and what of the joint's line the mean still holds."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom

from benchd.bench.datum.chain_terms import CalibrationInForce, joints_term
from benchd.bench.datum.feasibility import as_lines
from benchd.files.loading import load_bench
from benchd.metrology.budget import Term, combine
from benchd.questions.flange.assessment import assess
from benchd.questions.flange.recomputed import recompute
from benchd.questions.flange.seatings import MeanPeak, Seating, each_of, how_many, how_often, mean_of, of_joints
from benchd.questions.shim_proof.assessment import ProofInput
from benchd.questions.shim_proof.assessment import assess as prove
from benchd.records.values import ReadingRow
from tests.questions.test_flange import CHAIN, fit_at, given
from tests.questions.test_recomputed import HWHM_UM, row

BENCH_FILE = load_bench(Path(__file__).parents[2] / "configs" / "workshop" / "bench.yaml").file
JOINTS = next(term for term in CHAIN if term.term == "joints")  # 1.0 um: of two pairs .707 each


def peak(at_um: float, u_um: float = 0.1, dof: float = 10.0) -> MeanPeak:
    return MeanPeak(at_um, u_um, dof, ())


def seatings(*peaks_um: float, u_um: float = 0.1) -> list[Seating]:
    return [Seating((16 * i, 16 * i + 15), at, u_um) for i, at in enumerate(peaks_um)]


def lines(terms: list[Term]) -> dict[str, Term]:
    return {term.term: term for term in terms}


def test_the_mean_of_three_has_a_third_of_each_u() -> None:
    """Root sum of squares over n; degrees of freedom by Welch and Satterthwaite (JCGM 100, G.2b), three alike: 30."""
    mean = mean_of([peak(5.0), peak(6.0), peak(8.5)])
    assert (mean.peak_um, mean.u_um, mean.dof) == pytest.approx((6.5, 0.1 / math.sqrt(3.0), 30.0))
    one = fit_at(3.0)
    assert mean_of([one]) is one


def test_only_the_lens_s_own_pair_is_averaged() -> None:
    """Of two pairs of .707 the adapter's stays: root of .5 + .5/3."""
    found, note = of_joints(CHAIN, seatings(5.0, 6.0, 5.5), 2, "r-0003")
    assert lines(found)["joints"].u == pytest.approx(math.sqrt(0.5 + 0.5 / 3.0))
    alone, _ = of_joints(CHAIN, seatings(5.0, 6.0, 5.5), 1, "r-0003")
    assert lines(alone)["joints"].u == pytest.approx(1.0 / math.sqrt(3.0))
    assert note is None
    assert {name: term for name, term in lines(found).items() if name != "joints"} == {
        term.term: term for term in CHAIN if term.term != "joints"
    }
    assert of_joints(CHAIN, seatings(5.0), 2, "r-0003") == (list(CHAIN), None)


def test_what_a_person_does_the_same_way_each_time_stays() -> None:
    """A study told .6 from seating to seating and .8 from person to person, of each of two pairs."""
    study = CalibrationInForce("cal-4", "joint", 0.0, 1.0, 12.0, common_u=0.8)
    (line,) = as_lines([joints_term(2, BENCH_FILE, study)])
    assert {part.name: part.u for part in line.parts} == pytest.approx(
        {"each seating": 0.6 * math.sqrt(2.0), "people": 0.8 * math.sqrt(2.0)}
    )
    found, _ = of_joints([line], seatings(5.0, 6.0, 5.5), 2, "r-0003")
    joints = lines(found)["joints"]
    assert joints.u == pytest.approx(math.sqrt(2.0 * 0.8**2 + 0.6**2 + 0.6**2 / 3.0))
    assert joints.dof is not None
    # Welch and Satterthwaite (JCGM 100, G.2b), were all of the 12 of the people's part: no more is left than that.
    assert joints.dof <= 12.0
    assert joints.dof == pytest.approx(12.0 * (joints.u / line.u) ** 4)


def test_a_contradiction_never_makes_it_surer() -> None:
    """Nine seatings that scatter by 2.2 um where .6 is stated beside .8 of the person's: those .8 stay."""
    study = CalibrationInForce("cal-4", "joint", 0.0, 1.0, 12.0, common_u=0.8)
    (line,) = as_lines([joints_term(1, BENCH_FILE, study)])
    apart = [2.2 * math.sqrt(8.0 / 9.0) * one for one in (1.5, -1.5, 0.5, -0.5, 1.0, -1.0, 1.2, -1.2, 0.0)]
    scatter = float(np.std(apart, ddof=1))
    found, note = of_joints([line], seatings(*apart), 1, "r-0003")
    assert note is not None
    assert lines(found)["joints"].u == pytest.approx(0.8)
    assert lines(found)["seatings of the lens"].u == pytest.approx(scatter / 3.0)
    agreeing, _ = of_joints([line], seatings(*(0.3 * one for one in apart)), 1, "r-0003")
    assert math.hypot(*(term.u for term in found)) > math.hypot(*(term.u for term in agreeing))


def test_a_burr_is_there_each_time() -> None:
    chain = [JOINTS, Term("stand-off", 0.12, "B", None, "bench file", "rectangular")]
    found, _ = of_joints(chain, seatings(5.0, 6.0, 5.5), 1, "r-0003")
    assert lines(found)["stand-off"].u == 0.12


def test_seatings_that_contradict_the_stated_joint_count_by_their_own_scatter() -> None:
    """5 um apart where .7 is stated: dirt on the seat."""
    found, note = of_joints(CHAIN, seatings(0.0, 5.0, 10.0), 2, "r-0003")
    own = lines(found)["seatings of the lens"]
    assert own.u == pytest.approx(5.0 / math.sqrt(3.0))
    assert (own.kind, own.dof, own.source) == ("A", 2.0, "r-0003")
    assert lines(found)["joints"].u == pytest.approx(math.sqrt(0.5)), "the adapter's own pair"
    assert note is not None
    assert "scatter by 5.0 µm, where 0.7 would be expected" in note
    alone, _ = of_joints(CHAIN, seatings(0.0, 5.0, 10.0), 1, "r-0003")
    assert "joints" not in lines(alone)
    # A joint whose u is itself known by two degrees of freedom alone is not contradicted so soon: F(2, 2) of 50 is 2 %.
    vague = [Term("joints", 1.0, "A", 2.0, "cal-4")]
    assert of_joints(vague, seatings(0.0, 5.0, 10.0), 2, "r-0003")[1] is None


@pytest.mark.parametrize("n", [2, 3, 5])
def test_the_interval_of_the_mean_holds_as_often_as_it_says(n: int) -> None:
    """Drawn: the joint's own pair as stated, normal, and readings of .1; nothing else is uncertain."""
    rng, held, cases = np.random.default_rng(n), 0, 2000
    chain = [Term("joints", 0.7, "B", None, "bench file")]
    for _ in range(cases):
        at = rng.normal(0.0, 0.7, n) + rng.normal(0.0, 0.1, n)
        found, _ = of_joints(chain, seatings(*at), 1, "r")
        expanded = combine([*found, Term("sweep", 0.1 / math.sqrt(n), "B", None, "r")])
        held += abs(float(np.mean(at))) <= expanded.U
    assert binom.ppf(0.001, cases, 0.95) <= held <= binom.ppf(0.999, cases, 0.95)


def finding(*peaks_um: float) -> dict[str, Any]:
    seated = seatings(*peaks_um)
    fits = [fit_at(one.peak_um) for one in seated]
    told = given(seatings=seated, pairs=2, indices=(0, seated[-1].indices[1]))
    return assess(mean_of(fits), told).as_json()


def test_a_finding_tells_each_seating() -> None:
    doc = finding(5.0, 6.0, 5.5)
    assert (how_many(doc), each_of(doc)) == (3, [(0, 15), (16, 31), (32, 47)])
    assert [column["name"] for column in doc["tables"]["seatings"]["columns"]][3:] == ["best focus", "u"]
    assert doc["values"]["focus_error"]["value"] == pytest.approx(5.5, abs=0.2)
    plain = finding(5.0)
    assert "tables" not in plain
    assert (how_many(plain), each_of(plain)) == (1, [(0, 15)])


def test_the_curve_is_drawn_about_the_mean_of_the_peaks() -> None:
    """Of each seating by itself, as the finding has it; taken for one sweep, the later ones would be scatter."""
    rng = np.random.default_rng(4)
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 16)

    def rows(begin: int, peak_um: float) -> list[ReadingRow]:
        return [
            row(begin + i, "edge.v", 0.8 * math.exp(-math.log(2.0) * ((one - peak_um) / HWHM_UM) ** 2), float(one))
            for i, one in enumerate(rng.permutation(z))
        ]

    doc = finding(-4.0, 8.0)
    doc["measurand"] |= {"light_nm": 546.0}
    found = recompute(doc, [*rows(0, -4.0), *rows(16, 8.0)], 0.1)
    assert found.peak_um == pytest.approx(2.0, abs=0.05)
    top = found.curve.fit.offset_um[int(np.argmax(found.curve.fit.value))]
    assert top == pytest.approx(2.0, abs=0.5)


def test_a_shim_s_proof_counts_the_lens_s_own_pair_as_often_as_it_was_seated() -> None:
    before, after = finding(50.0), finding(0.0, 1.0, 0.5)

    def joints(after: dict[str, Any]) -> dict[str, float]:
        told = ProofInput({**HEAD}, before, after, (), 2, (50.0, 50.0))
        return {line.term: line.u for line in prove(told).budgets["change"] if line.term.startswith(("joints", "seat"))}

    assert joints(after) == pytest.approx({"joints before": math.sqrt(0.5), "joints after": math.sqrt(0.5 / 3.0)})
    at_odds = joints(finding(0.0, 5.0, 10.0))
    assert at_odds == pytest.approx(
        {"joints before": math.sqrt(0.5), "seatings of the lens after": 5.0 / math.sqrt(3.0)}
    )


HEAD: dict[str, Any] = {
    "finding": "", "assessment": "shim_proof", "run": "r-0004", "setup": 14, "lens": "L-0417", "job": None,
    "at": "2031-04-05T09:20:02Z", "version": "0",
}  # fmt: skip


def test_how_often_a_lens_has_to_be_seated() -> None:
    """Of one pair the root of n; of two the other one stays, of which no number of seatings leaves less."""
    one, two = (
        Term("joints", 0.7, "B", None, "bench file"),
        Term("joints", 0.7 * math.sqrt(2.0), "B", None, "bench file"),
    )
    assert how_often(one, 1, 0.7 / math.sqrt(3.0) + 1e-9) == 3
    assert how_often(two, 2, 0.7 * math.sqrt(1.25) + 1e-9) == 4
    assert how_often(two, 2, 0.7) is None
