"""Bounds of what is not measured: sag, a tipping carriage, seats that stand off and are not plane; worked by hand.

Half-widths of a rectangle by JCGM 100, 4.3.7: u = a / sqrt(3), and 4.3.8 for a bound to one side only: half of it, and
u = a / sqrt(12). Abbe's error is distance times angle, 1 arc minute is 0.290888 um a millimetre; of a wave of that span
and unknown phase, height a / 2, it is a / 2 sqrt(2) at a place (JCGM 101, 6.4.6), a / 2 between two.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchd.arrangements.setup_document import apply, first_setup
from benchd.bench.datum.bounded_terms import abbe_u_um
from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, datum_chain, published
from benchd.files.bench_file import BenchFile, Joint
from benchd.files.loading import LoadedBench, load_bench

CONFIGS = Path(__file__).parents[3] / "configs"
SCALE = ScaleRecord(u_scale=1e-5, subdivision_um=0.15, alpha_per_K=8e-6)
IN_FORCE = {
    "bench-zero": CalibrationInForce("cal-1", "bench-zero", 24012.4, 0.7),
    "ring-07": CalibrationInForce("cal-2", "ring-07", 18003.2, 0.5),
}
WORKED = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity", "temperature_C": 22.4}


@pytest.fixture(scope="module")
def bench() -> LoadedBench:
    """The shipped bench with its zero by the collimator: joints .4, scale 5 up and 2 aside, .4' and .3', .06 um/N."""
    return load_bench(CONFIGS / "workshop-collimated" / "bench.yaml")


def chain_of(bench: LoadedBench, file: BenchFile | None = None, **changes: Any) -> Chain:
    records = bench.records
    if "mass_g" in changes:
        lens = records.lens("L-0417").model_copy(update={"mass_g": changes.pop("mass_g")})
        records = replace(records, lenses={**records.lenses, lens.id: lens})
    if "points_um" in changes:
        ring = records.adapter("ring-07")
        given = ring.given.model_copy(update={"points_um": changes.pop("points_um")})
        records = replace(records, adapters={**records.adapters, ring.id: ring.model_copy(update={"given": given})})
    in_force = changes.pop("in_force", IN_FORCE)
    file = file or bench.file
    document = apply(first_setup(file), {**WORKED, **changes}, records, file)
    return datum_chain(file, records, document, in_force, SCALE)


def term(chain: Chain, name: str) -> tuple[float, float | None]:
    (found,) = [one for one in published(chain) if one.term == name]
    return found.value_um, found.u_um


def line(chain: Chain, name: str) -> float:
    (found,) = [one for one in chain.budget if one.term == name]
    return found.u_um


def test_the_seat_sags_by_half_of_what_the_weight_may_pull_it(bench: LoadedBench) -> None:
    chain = chain_of(bench)
    most = 0.06 * 0.420 * 9.80665
    assert term(chain, "sag") == pytest.approx((-most / 2, most / math.sqrt(12)))
    assert line(chain, "sag") == pytest.approx(most / math.sqrt(12))
    # The target has to come nearer the base by as much as the seat has gone from it.
    without = bench.file.model_copy(update={"sag": None})
    assert chain.carriage_um == pytest.approx((chain_of(bench, without).carriage_um or 0.0) - most / 2, abs=1e-4)
    assert chain.places.depth_um(9000.0) - chain_of(bench, without).places.depth_um(9000.0) == pytest.approx(most / 2)
    assert chain.absolute


def test_a_sag_bounded_by_more_than_a_tenth_of_the_tolerance_leaves_no_verdict(bench: LoadedBench) -> None:
    """The tolerance is 10 um; 1,700 g pull by up to 1.0003 um, 1,699 g by .9997."""
    heavy = chain_of(bench, mass_g=1700.0)
    assert heavy.why_relative == ("the seat may sag by 1.0 µm, more than a tenth of the tolerance",)
    assert line(heavy, "sag") == pytest.approx(1.0003 / math.sqrt(12), rel=1e-3)
    assert chain_of(bench, mass_g=1699.0).absolute


def test_a_scale_beside_the_axis_of_a_tipping_carriage_has_its_line(bench: LoadedBench) -> None:
    most = math.hypot(5 * 0.4, 2 * 0.3) * 0.290888
    assert term(chain_of(bench), "abbe") == pytest.approx((0.0, most / 2.0), rel=2e-4)
    assert abbe_u_um(bench.file) == pytest.approx(most / 2.0, rel=1e-5)


def test_what_holds_seats_apart_only_adds_and_is_in_a_calibrated_length_already(bench: LoadedBench) -> None:
    each = 0.4 / math.sqrt(12)
    assert term(chain_of(bench), "stand-off") == pytest.approx((-0.2, each * math.sqrt(2)))
    as_given = {"bench-zero": IN_FORCE["bench-zero"]}
    assert term(chain_of(bench, in_force=as_given), "stand-off") == pytest.approx((-0.4, each * math.sqrt(2)))
    without_lens = chain_of(bench, lens=None, glass=[], in_force=as_given)
    assert term(without_lens, "stand-off") == pytest.approx((-0.2, each))


def test_the_points_of_an_adapter_bound_its_wedge(bench: LoadedBench) -> None:
    chain = chain_of(bench, points_um=(0.6, -0.2, -0.7, 0.3))
    assert term(chain, "wedge ring-07") == pytest.approx((0.0, 0.65 / math.sqrt(3)))
    assert line(chain, "wedge ring-07") == pytest.approx(0.65 / math.sqrt(3))


def test_the_terms_add_up_with_bounds_too(bench: LoadedBench) -> None:
    chain = chain_of(bench)
    assert sum(one.value_um for one in chain.terms) == pytest.approx(chain.carriage_um, abs=1e-9)
    assert chain.u_um == pytest.approx(math.hypot(*(one.u_um for one in chain.budget)))


def test_what_has_no_bound_is_told_and_made_neither_zero_nor_relative(bench: LoadedBench) -> None:
    """Sag, tipping, wedge and one-sided joints had no line and no word."""
    bare = bench.file.model_copy(update={"abbe": None, "sag": None, "joint": Joint(u_um=0.7)})
    chain = chain_of(bench, bare, points_um=())
    for name in ("abbe", "sag", "stand-off", "wedge ring-07"):
        assert term(chain, name) == (0.0, None)
        assert name not in [one.term for one in chain.budget]
    (note,) = [one for one in chain.notes if one.startswith("Taken as zero, without an uncertainty")]
    for key in ("`abbe`", "`sag`", "`stand_off_um`", "`points_um`"):
        assert key in note
    assert chain.absolute
    assert not [one for one in chain_of(bench).notes if one.startswith("Taken as zero")]
    (note,) = [one for one in chain_of(bench, mass_g=None).notes if one.startswith("Taken as zero")]
    assert "`mass_g` of L-0417" in note
