"""Where carriage, depth and offset belong together: each arrangement against vergences and worked examples.

Source: Newton's equation x x' = -f f' (Born & Wolf, Principles of Optics, 4.3), twice where light passes two lenses or
one twice. It is held against a calculation by vergences, lens by lens (W' = W + 1/f; Hecht, Optics, 5.2, from memory),
that shares nothing with the closed forms. Worked examples are own computations, no source; their figures stand there.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from benchd.arrangements.registry import ARRANGEMENTS, arrangement, arrangement_of
from benchd.arrangements.setup_document import apply, first_setup
from benchd.arrangements.wall import Wall
from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, Shares, datum_chain, published
from benchd.errors import Refused
from benchd.files.artefacts import FocalLength, Layer
from benchd.files.bench_file import ArrangementEntry
from benchd.files.loading import LoadedBench, load_bench
from benchd.files.records_folder import Records
from benchd.optics.expansion import REFERENCE_C

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SCALE = ScaleRecord(1e-5, 0.15, 8e-6)
RETICLE = {
    "kind": "collimator_reticle", "focal_length_mm": 500.0, "u_focal_length_mm": 0.5, "parallel_at_um": 12000.0,
    "u_parallel_at_um": 4.0, "before_lens_mm": 100.0, "u_before_lens_mm": 10.0,
}  # fmt: skip
COVER = (Layer(thickness_mm=0.70, u_mm=0.002035, index=1.523, u_index=1e-7, at_nm=546.0),)
AUTO = {
    "kind": "autocollimation", "pickup": {"deeper_um": 12.0, "u_um": 2.0},
    "mirror": {"flatness_um": 0.0546, "over_mm": 50.0},
}  # fmt: skip


def bench_of(
    stands: dict[str, Any],
    cover: tuple[Layer, ...] = (),
    focal_length_mm: float = 49.6,
    u_focal_length_mm: float = 0.2,
) -> LoadedBench:
    """The shipped bench in another arrangement, bounded by nothing, with this cover and this focal length."""
    whole = load_bench(CONFIGS / "workshop-collimated" / "bench.yaml")
    file = whole.file.model_copy(
        update={
            "arrangement": ArrangementEntry.model_validate(stands),
            "target": whole.file.target.model_copy(update={"cover": cover}),
            "joint": whole.file.joint.model_copy(update={"u_um": 0.7, "stand_off_um": None}),
            "abbe": None,
            "sag": None,
            # What the example gives for the thermal line is put in here, by the thermometer.
            "set_up": whole.file.set_up.model_copy(update={"u_temperature_K": 0.3134}),
        }
    )
    focal = FocalLength(value=focal_length_mm, u=u_focal_length_mm)
    lens = whole.records.lens("L-0418").model_copy(update={"focal_length_mm": focal})
    records = Records(
        adapters={name: _plain(one) for name, one in whole.records.adapters.items()},
        glasses=whole.records.glasses,
        references=whole.records.references,
        lenses={"L-0418": lens},
    )
    return LoadedBench(file, whole.source, records)


def _plain(adapter: Any) -> Any:
    """An adapter without the points of its seat: the worked examples know of no wedge."""
    return adapter.model_copy(update={"given": adapter.given.model_copy(update={"points_um": ()})})


def chain_of(bench: LoadedBench, in_force: CalibrationInForce | None = None, **changes: Any) -> Chain:
    stated = {"lens": "L-0418", "adapters": ["ring-07"], "ring": "infinity", "temperature_C": REFERENCE_C + 1.53}
    setup = apply(first_setup(bench.file), stated | changes, bench.records, bench.file)
    base = in_force or CalibrationInForce("c-1", bench.file.base.calibration, 32236.0, 0.65)
    ring = CalibrationInForce("c-2", "ring-07", 18001.3, 0.41)
    return datum_chain(bench.file, bench.records, setup, {base.artefact: base, "ring-07": ring}, SCALE)


def value(chain: Chain, term: str) -> float:
    (found,) = [one.value_um for one in chain.terms if one.term == term]
    return found


def u(chain: Chain, offset_um: float, line: str) -> float:
    (found,) = [one.u_um for one in chain.budget_at(offset_um) if one.term == line]
    return found


def image_um(reticle_mm: float, f: float, fc: float, d: float) -> float:
    """How far beyond the lens's rear focal point the image of a reticle lies that stands so far beyond the
    collimator's focal plane; by vergences (1/mm), from one thin lens to the other."""
    vergence = 1.0 / fc - 1.0 / (fc + reticle_mm)
    vergence /= 1.0 - (fc + d + f) * vergence
    return 1000.0 * (1.0 / (vergence + 1.0 / f) - f)


# A reticle before the lens


@pytest.mark.parametrize("focal_length_mm", [25.0, 49.6, 135.0])
@pytest.mark.parametrize("d_mm", [-300.0, 0.0, 100.0, 800.0])
def test_a_reticle_agrees_with_vergences(focal_length_mm: float, d_mm: float) -> None:
    """To 0.001 um for 10 mm of reticle: what is shallower for the image is deeper for the sensor."""
    places = chain_of(bench_of(RETICLE | {"before_lens_mm": d_mm}, focal_length_mm=focal_length_mm)).places
    at_parallel = places.offset_um(12000.0)
    assert at_parallel is not None
    for r_mm in (-10.0, -3.3, -0.01, 0.5, 1.6935, 10.0):
        grown = r_mm * (1.0 + 8e-6 * 1.53)
        offset = places.offset_um(12000.0 + 1000.0 * r_mm)
        assert offset is not None
        assert offset - at_parallel == pytest.approx(-image_um(grown, focal_length_mm, 500.0, d_mm), abs=0.001)


def test_the_worked_example_of_a_reticle() -> None:
    """f 49.6(2), fc 500.0(5), d 100(10) mm, cover 0.70 mm of n 1.523: s .009841, D 50238.5, Delta -1.9, nominal 12191;
    a peak at 13693.5 is e +14.8, u 1.47 with .09 of the sweep (joints .99, cover .70, base .65, adapter .41,
    thermal .25, s .14, r0 .04)."""
    chain = chain_of(bench_of(RETICLE, COVER), light_nm=546.0)
    places = chain.places
    assert places.slope(12000.0) == pytest.approx(0.009841, abs=5e-7)
    assert places.depth_um(0.0) == places.depth_um(30000.0) == pytest.approx(50238.5, abs=0.05)
    assert value(chain, "target_cover") == pytest.approx(240.4, abs=0.05)
    assert places.offset_um(12000.0) == pytest.approx(-1.9, abs=0.05)
    assert chain.carriage_um == pytest.approx(12191.0, abs=4.0)  # Delta is rounded in the example: 0.05 um are 5
    peak = places.offset_um(13693.5)
    assert peak == pytest.approx(14.8, abs=0.05)
    assert peak is not None
    lines = {"joints": 0.99, "target_cover": 0.70, "base": 0.65, "adapter ring-07": 0.41, "thermal": 0.25}
    for line, stated in (lines | {"reticle scale": 0.14, "reticle zero": 0.04}).items():
        assert u(chain, peak, line) == pytest.approx(stated, abs=0.006), line
    with_sweep = math.hypot(0.09, *(line.u_um for line in chain.budget_at(peak)))
    assert with_sweep == pytest.approx(1.47, abs=0.01)


def test_a_hundred_um_of_delta_with_f_known_to_one_percent_cost_two() -> None:
    """2 x 100 um x 0.01."""
    chain = chain_of(bench_of(RETICLE | {"u_focal_length_mm": 1e-4}, u_focal_length_mm=0.496))
    places = chain.places
    far = (places.offset_um(12000.0) or 0.0) + 100.0
    (scale,) = [line for line in places.lines(far) if line.term == "reticle scale"]
    parts = {part.name: part.u for part in scale.parts}
    assert parts["focal length"] == pytest.approx(2.0, rel=1e-6)


@pytest.mark.parametrize(("focal_length_mm", "reach_um"), [(50.0, 150.0), (25.0, 37.5)])
def test_what_fifteen_millimetres_of_reticle_reach(focal_length_mm: float, reach_um: float) -> None:
    """+-150 um at 50 mm, +-37 at 25 mm, with a collimator of 500 mm."""
    places = chain_of(bench_of(RETICLE | {"before_lens_mm": 0.0}, focal_length_mm=focal_length_mm)).places
    low, middle, high = (places.offset_um(12000.0 + at) or 0.0 for at in (-15000.0, 0.0, 15000.0))
    assert [middle - low, high - middle] == pytest.approx([reach_um, reach_um], rel=1e-4)


def test_a_reticle_whose_image_would_run_away_is_refused() -> None:
    """r = fc^2 / d = 25 mm brings the reticle's image into the lens's front focus: 1 - d r / fc^2 is 0 there."""
    travel_um = (0.0, 30000.0)
    for changed, key in (({"before_lens_mm": 10000.0}, "before_lens_mm"), ({"parallel_at_um": -9e5}, "parallel_at_um")):
        bench = bench_of(RETICLE | changed)
        (problem,) = arrangement_of(bench.file).problems(bench, travel_um)
        assert problem.key == f"arrangement.{key}"
    short = bench_of(RETICLE | {"focal_length_mm": 100.0, "before_lens_mm": 150.0, "parallel_at_um": 10000.0})
    assert arrangement_of(short.file).problems(short, (0.0, 20000.0)) == []
    places = chain_of(bench_of(RETICLE | {"before_lens_mm": 10000.0})).places
    assert places.offset_um(12000.0 + 25000.0) == math.inf
    assert places.carriage_um(-500.0) == -math.inf


def test_places_of_a_reticle_go_both_ways_and_depth_stays() -> None:
    chain = chain_of(bench_of(RETICLE), trim_um=3.0)
    places = chain.places
    assert not arrangement("collimator_reticle").moves_target
    for offset in (-120.0, -1.0, 0.0, 3.0, 77.7):
        there = places.carriage_um(offset)
        assert there is not None
        assert places.offset_um(there) == pytest.approx(offset, abs=1e-9)
    assert places.offset_um(chain.carriage_um or 0.0) == pytest.approx(3.0)
    assert places.lowest_um(50000.0) == -math.inf
    assert places.lowest_um(50300.0) == math.inf
    with pytest.raises(Refused, match="the target stands fixed"):
        places.carriage_for_depth(50000.0)


def test_a_reticle_hardly_minds_what_its_carriage_does() -> None:
    """What the scale tells wrongly counts s times: .15 um of subdivision are .001."""
    chain = chain_of(bench_of(RETICLE, COVER))
    assert u(chain, 0.0, "position subdivision") == pytest.approx(0.009841 * 0.15 / math.sqrt(2.0), rel=1e-3)


def test_the_published_place_of_a_reticle_is_as_doubtful_as_it_is() -> None:
    """An um of offset is some hundred of carriage, and so is its doubt; no sum of depths is a place of the reticle."""
    chain = chain_of(bench_of(RETICLE, COVER), light_nm=546.0)
    total = published(chain)[-1]
    assert (total.term, total.source) == ("carriage", "reticle")
    assert total.u_um == pytest.approx(chain.u_um / 0.009841, rel=2e-3)
    wall = published(chain_of(bench_of({"kind": "collimated"})))[-1]
    assert wall.source == "sum of the terms"


def test_a_reticle_without_a_lens_has_a_depth_and_no_offset() -> None:
    chain = chain_of(bench_of(RETICLE), lens=None, ring=None)
    assert chain.carriage_um is None
    assert chain.places.offset_um(12000.0) is None
    assert chain.places.lines(0.0) == ()
    assert chain.places.depth_um(12000.0) == pytest.approx(50238.5, abs=0.05)


@pytest.mark.parametrize("reticle_um", [-9000.0, 4000.0, 12000.0])
def test_lines_of_a_reticle_are_what_drawing_its_figures_gives(reticle_um: float) -> None:
    """f, fc, d and r0 drawn anew, the offset of one place worked out again by vergences: its spread is both lines."""
    bench = bench_of(RETICLE | {"u_before_lens_mm": 30.0})
    places = chain_of(bench).places
    offset = places.offset_um(12000.0 + reticle_um)
    assert offset is not None
    told = math.hypot(*(line.u_um for line in places.lines(offset)))
    rng = np.random.default_rng(20260101)
    drawn = [
        -image_um(
            (reticle_um - float(rng.normal(0.0, 4.0))) / 1000.0,
            float(rng.normal(49.6, 0.2)),
            float(rng.normal(500.0, 0.5)),
            float(rng.normal(100.0, 30.0)),
        )
        for _ in range(4000)
    ]
    # The spread of 4000 draws is off by 1.1 % (standard deviation).
    assert float(np.std(drawn)) == pytest.approx(told, rel=0.05)


def test_a_cover_that_the_base_was_found_through_counts_once() -> None:
    """Thicker by t it moves target and image: t (1 - (1 - 1/n)) = t / n is left, 1.336 of 2.035 um; the base keeps its
    own. With another cover than the calibration's both doubts stand."""
    shares = Shares(cover_um=2.035)
    base = CalibrationInForce("c-1", "bench-zero", 32236.0, math.hypot(0.65, 2.035), shares=shares)
    for cover, of_base, cover_only in ((COVER, 0.65, 2.035 / 1.523), ((), math.hypot(0.65, 2.035), None)):
        for stands in (RETICLE, AUTO):
            chain = chain_of(bench_of(stands, cover), in_force=base, light_nm=546.0)
            assert u(chain, 0.0, "base") == pytest.approx(of_base, rel=1e-6)
            lines = {line.term: line.u_um for line in chain.budget}
            assert lines.get("target_cover") == (None if cover_only is None else pytest.approx(cover_only, rel=1e-4))


# A mirror before the lens


def test_the_worked_example_of_a_mirror() -> None:
    """p = +12(2) um gives pickup -6.0 (1.0)."""
    chain = chain_of(bench_of(AUTO))
    (pickup,) = [line for line in chain.budget if line.term == "pickup"]
    assert (pickup.value_um, pickup.u_um) == (-6.0, 1.0)
    plain = chain_of(bench_of({"kind": "collimated"}))
    assert chain.carriage_um == pytest.approx((plain.carriage_um or 0.0) - 6.0)


@pytest.mark.parametrize(("focal_length_mm", "most_um"), [(50.0, 0.44), (135.0, 3.2)])
def test_a_mirror_that_is_not_flat(focal_length_mm: float, most_um: float) -> None:
    """lambda/10 over 50 mm, R 5.7 km: f^2/R is 0.44 um at f 50, 3.2 at 135; u is that over root 3."""
    (mirror,) = [line for line in chain_of(bench_of(AUTO, focal_length_mm=focal_length_mm)).budget
                 if line.term == "mirror"]  # fmt: skip
    assert mirror.u_um == pytest.approx(most_um / math.sqrt(3.0), rel=0.01)


def test_a_source_is_seen_sharp_half_the_pickup_before_focus() -> None:
    """By vergences: lens, mirror 150 mm before its front focal point, lens; x 20 um leave .05 um of second order."""

    def returns_um(x_um: float, f: float = 50.0, before_mm: float = 150.0) -> float:
        vergence = 1.0 / f - 1.0 / (f + x_um / 1000.0)
        vergence /= 1.0 - 2.0 * (before_mm + f) * vergence
        return 1000.0 * (1.0 / (vergence + 1.0 / f) - f)

    for pickup_um in (-12.0, 12.0):
        x = -0.5 * pickup_um
        assert returns_um(x) == pytest.approx(x + pickup_um, abs=0.01)
    assert returns_um(20.0) + 20.0 == pytest.approx(-2.0 * 150.0 * 0.02**2 / 50.0**2 * 1000.0, abs=0.002)
    assert abs(returns_um(20.0) + 20.0) == pytest.approx(0.05, abs=0.005)


# All of them


@pytest.mark.parametrize("stands", [RETICLE, AUTO, {"kind": "collimated"}, {"kind": "wall"}])
def test_what_each_says_of_itself(stands: dict[str, Any]) -> None:
    found = arrangement_of(bench_of(stands).file)
    assert found.name == stands["kind"]
    assert found.name in ARRANGEMENTS.names()
    assert found.stands
    assert all(sentence.endswith(".") for sentence in found.cannot_tell)


@pytest.mark.parametrize("stands", [RETICLE, AUTO])
def test_a_ring_at_a_mark_is_taken_off(stands: dict[str, Any]) -> None:
    """-x'(mark): 5 m is 502 um for 49.6 mm (Newton)."""
    bench = bench_of(stands)
    assert value(chain_of(bench, ring={"mark": 5}), "conjugate") == pytest.approx(-502.04, abs=0.02)
    assert value(chain_of(bench), "conjugate") == 0.0
    assert not chain_of(bench, ring="free").absolute
    with pytest.raises(Refused, match="There is no wall on this bench"):
        chain_of(bench, distance_mm=5000)


def test_one_that_is_not_installed_is_refused_with_what_there_is() -> None:
    with pytest.raises(Refused, match=r"There is no arrangement 'colimated'.*Did you mean 'collimated'"):
        arrangement("colimated")


def test_who_has_marks_is_not_told_to_stick_them() -> None:
    plain = Wall(Wall.Config())
    marked = Wall(Wall.Config(marks_apart_mm=220.0, u_marks_apart_mm=0.1, u_distortion=2e-4))
    assert "stick two marks" in plain.advice()["conjugate m"]
    assert "farther apart" in marked.advice()["conjugate m"]
    assert {**plain.advice(), "conjugate m": ""} == {**marked.advice(), "conjugate m": ""}
    assert Wall(Wall.Config(mark_pitch_mm=10.0, u_mark_pitch_mm=0.006, u_distortion=2e-4)).advice() == marked.advice()


@pytest.mark.parametrize(
    ("stated", "why"),
    [
        ({"mark_pitch_mm": 10.0, "u_distortion": 2e-4}, "'u_mark_pitch_mm' and 'u_distortion' go together"),
        ({"mark_pitch_mm": 10.0, "u_mark_pitch_mm": 0.006}, "'u_distortion' go together"),
        ({"marks_apart_mm": 220.0, "u_distortion": 2e-4}, "'u_marks_apart_mm' and 'u_distortion' go together"),
        ({"u_distortion": 2e-4}, "go together"),
        (
            {"marks_apart_mm": 220.0, "u_marks_apart_mm": 0.1, "mark_pitch_mm": 10.0, "u_mark_pitch_mm": 0.006,
             "u_distortion": 2e-4},
            "state the one that hangs on the wall",
        ),
        ({"u_marks_apart_mm": 0.1, "mark_pitch_mm": 10.0, "u_distortion": 2e-4}, "state the one that hangs"),
    ],
)  # fmt: skip
def test_marks_or_a_strip_are_stated_whole_and_one_of_them(stated: dict[str, float], why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        Wall.Config.model_validate(stated)
