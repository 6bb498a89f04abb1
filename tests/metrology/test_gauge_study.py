"""The gauge study against published studies, certified analyses of variance, and drawn readings of known components."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.metrology.gauge_study import GaugeStudy, Row, Variance, gauge_study

DATA = Path(__file__).parent.parent / "data" / "nist"


def _readings(*people: str) -> NDArray[np.float64]:
    """(parts, people, trials), from a text for each person whose trials are divided by strokes."""
    rows = [[[float(value) for value in trial.split()] for trial in person.split("/")] for person in people]
    return np.array(rows).transpose(2, 0, 1)


# MSA manual of AIAG, 4th edition, Figure III-B 15 (three people, ten parts, three trials).
AIAG = _readings(
    ".29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36 / .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25 /"
    ".64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31",
    ".08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68 / .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62 /"
    ".07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50",
    ".04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49 / -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77 /"
    "-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16",
)
# A public set of three people, five parts, three trials.
FIVE_PARTS = _readings(
    "3.29 2.44 4.34 3.47 2.2 / 3.41 2.32 4.17 3.5 2.08 / 3.64 2.42 4.27 3.64 2.16",
    "3.08 2.53 4.19 3.01 2.44 / 3.25 1.78 3.94 4.03 1.8 / 3.07 2.32 4.34 3.2 1.72",
    "3.04 1.62 3.88 3.14 1.54 / 2.89 1.87 4.09 3.2 1.93 / 2.85 2.04 3.67 3.11 1.55",
)


def row(study: GaugeStudy, source: str) -> Row:
    return next(one for one in study.rows if one.source == source)


def parts_of(study: GaugeStudy) -> tuple[Variance, Variance, Variance]:
    """Of people, interaction and parts, which a crossed study has."""
    assert study.av is not None
    assert study.interaction is not None
    assert study.pv is not None
    return study.av, study.interaction, study.pv


@pytest.mark.published
def test_the_study_of_the_manual() -> None:
    """MSA manual of AIAG, 4th edition: Tables III-B 7 and 8, A 4 and A 5."""
    study = gauge_study(AIAG)
    squares: dict[str, object] = {one.source: (one.ss, one.dof) for one in study.rows}
    assert squares == {
        "people": (pytest.approx(3.16726, abs=5e-6), 2),
        "parts": (pytest.approx(88.36193, abs=5e-6), 9),
        "interaction": (pytest.approx(0.35898, abs=5e-6), 18),
        "repetition": (pytest.approx(2.75893, abs=5e-6), 60),
        "total": (pytest.approx(94.64711, abs=5e-6), 89),
    }
    assert row(study, "interaction").f == pytest.approx(0.43372, abs=5e-6)
    assert row(study, "interaction").p == pytest.approx(0.974, abs=5e-4)
    assert study.pooled
    av, interaction, pv = parts_of(study)
    assert study.ev.s == pytest.approx(0.199933, abs=5e-7)
    assert av.s == pytest.approx(0.226838, abs=5e-7)
    assert interaction.s == 0.0
    assert study.grr.s == pytest.approx(0.302372, abs=1e-6)  # of the rounded components, .302373
    assert pv.s == pytest.approx(1.042327, abs=1e-6)
    total = math.hypot(study.grr.s, pv.s)
    assert total == pytest.approx(1.085300, abs=1e-6)
    shares = [100.0 * one.s / total for one in (study.ev, av, study.grr, pv)]
    assert shares == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=5e-3)


@pytest.mark.published
def test_the_study_of_the_manual_with_its_interaction_apart() -> None:
    """As above, from Table A 4 without pooling."""
    study = gauge_study(AIAG, pooled_above=1.0)
    av, interaction, _ = parts_of(study)
    assert not study.pooled
    assert study.ev.s == pytest.approx(0.214435, abs=5e-7)
    assert av.s == pytest.approx(0.228304, abs=5e-7)
    assert interaction.s == 0.0, "it comes out negative"
    assert study.grr.s == pytest.approx(0.313217, abs=5e-7)


@pytest.mark.published
def test_a_public_study_of_five_parts() -> None:
    """A small public data set; its figures were made with another program than ours."""
    study = gauge_study(FIVE_PARTS, pooled_above=1.0)
    squares = {one.source: one.ss for one in study.rows}
    assert squares == {
        "people": pytest.approx(1.63035, abs=5e-6),
        "parts": pytest.approx(28.90937, abs=5e-6),
        "interaction": pytest.approx(0.06500, abs=5e-6),
        "repetition": pytest.approx(1.71213, abs=5e-6),
        "total": pytest.approx(32.31686, abs=1e-5),
    }
    assert row(study, "interaction").f == pytest.approx(0.14238, abs=5e-6)
    av, _, pv = parts_of(study)
    assert [study.ev.s, av.s, pv.s] == pytest.approx([0.23890, 0.23196, 0.89562], abs=5e-6)


@pytest.mark.published
@pytest.mark.parametrize(
    ("name", "f", "ms_between", "ms_within"),
    [
        # NIST StRD, analysis of variance, the certified values in each file.
        ("SmLs01", 21.0, 0.21, 0.01),
        ("SmLs07", 21.0, 0.21, 0.01),  # thirteen leading digits in common
        ("AtmWtAg", 15.9467335677930, 3.63834187500000e-09, 2.28155932971014e-10),
        ("SiRstv", 1.18046237440255, 1.27865654000000e-02, 1.08318280000000e-02),
    ],
)
def test_certified_analyses_of_one_way(name: str, f: float, ms_between: float, ms_within: float) -> None:
    group, value = np.loadtxt(DATA / f"{name}.dat", skiprows=60, unpack=True)
    groups = np.array([value[group == one] for one in np.unique(group)])
    study = gauge_study(groups[:, None, :])
    # What the file's own decimals leave of a value that is mostly offset is 1e-4 of its scatter.
    near = 1e-3 if name == "SmLs07" else 1e-8 if name == "AtmWtAg" else 1e-11
    assert row(study, "parts").f == pytest.approx(f, rel=near)
    assert row(study, "parts").ms == pytest.approx(ms_between, rel=near)
    assert row(study, "repetition").ms == pytest.approx(ms_within, rel=near)
    assert study.av is None
    assert study.interaction is None


def test_by_one_person_people_cannot_be_told_and_with_one_part_parts_cannot() -> None:
    by_one, of_one = gauge_study(AIAG[:, :1]), gauge_study(AIAG[:1])
    assert (by_one.av, by_one.interaction, of_one.pv, of_one.interaction) == (None,) * 4
    assert [one.source for one in by_one.rows] == ["parts", "repetition", "total"]
    assert [one.source for one in of_one.rows] == ["people", "repetition", "total"]
    assert by_one.grr.s == by_one.ev.s
    # One way: E(MS people) = EV^2 + 3 AV^2, by hand.
    cells = AIAG[0].mean(axis=1)
    within, between = float(AIAG[0].var(axis=1, ddof=1).mean()), 3.0 * float(cells.var(ddof=1))
    assert of_one.ev.s == pytest.approx(math.sqrt(within))
    assert of_one.av is not None
    assert of_one.av.s == pytest.approx(math.sqrt((between - within) / 3.0))
    alone = gauge_study(AIAG[:1, :1])
    assert [one.source for one in alone.rows] == ["repetition", "total"]
    assert alone.ev.dof == pytest.approx(2.0)


def test_what_is_shared_between_components_counts_once() -> None:
    """Satterthwaite on mean squares, of the sum (1 - 1/r) MSe + (1/r - 1/pr) MSi + MSo/pr."""
    study = gauge_study(FIVE_PARTS + np.array([1.0, 0.0, -1.0])[None, :, None] * np.arange(5)[:, None, None] / 4.0)
    assert not study.pooled
    e, i, o = (row(study, name) for name in ("repetition", "interaction", "people"))
    added = [2 / 3 * e.ms, (1 / 3 - 1 / 15) * i.ms, o.ms / 15]
    assert study.grr.value == pytest.approx(sum(added))
    doubt = sum(one**2 / of.dof for one, of in zip(added, (e, i, o), strict=True))
    assert study.grr.dof == pytest.approx(sum(added) ** 2 / doubt)


def test_the_mean_of_many_studies_is_what_was_drawn() -> None:
    rng = np.random.default_rng(20)
    ev, interaction, av, pv = 0.5, 0.4, 0.8, 2.0
    parts, people, trials, studies = 8, 6, 3, 2000
    found = []
    for _ in range(studies):
        y = 50.0 + rng.normal(0.0, ev, (parts, people, trials)) + rng.normal(0.0, pv, (parts, 1, 1))
        y += rng.normal(0.0, av, (1, people, 1)) + rng.normal(0.0, interaction, (parts, people, 1))
        study = gauge_study(y, pooled_above=1.0)
        found.append([one.value for one in (study.ev, *parts_of(study), study.grr)])
    true = np.array([ev**2, av**2, interaction**2, pv**2, ev**2 + av**2 + interaction**2])
    mean, of_mean = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / math.sqrt(studies)
    assert np.all(np.abs(mean - true) < 3.9 * of_mean), (mean, true, of_mean)  # five of them: 1 in 2000
    assert np.all(of_mean < 0.02 * true)


@pytest.mark.parametrize("shape", [(3, 3), (3, 2, 1), (0, 2, 3)])
def test_readings_of_another_shape_are_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="two trials"):
        gauge_study(np.zeros(shape))


def test_readings_that_are_all_alike_have_no_f() -> None:
    study = gauge_study(np.full((3, 2, 2), 7.0))
    assert study.grr.value == 0.0
    assert study.grr.dof is None
    assert [one.f for one in study.rows] == [None] * 5
