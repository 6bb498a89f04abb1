"""The datum chain: worked example of the outer contract, signs, sources, and no zero that hides a doubt."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.arrangements.setup_document import SetupDocument, apply, first_setup
from benchd.bench.datum.chain import (
    CalibrationInForce,
    Chain,
    ScaleRecord,
    Shares,
    datum_chain,
    published,
    with_chain,
)
from benchd.errors import Refused
from benchd.files.bench_file import SetUp
from benchd.files.loading import LoadedBench, load_bench

CONFIGS = Path(__file__).parents[3] / "configs"
SCALE = ScaleRecord(u_scale=1e-5, subdivision_um=0.15, alpha_per_K=8e-6)
EXACT = ScaleRecord(u_scale=0.0, subdivision_um=0.0, alpha_per_K=None)
WORKED: dict[str, Any] = {
    "lens": "L-0417",
    "adapters": ["ring-07"],
    "glass": ["pane-25"],
    "ring": "infinity",
    "distance_mm": 5012,
    "temperature_C": 22.4,
    "light_nm": 546,
}


def unbounded(name: str) -> LoadedBench:
    """A shipped bench that states no bounds of what is not measured, as in the worked example."""
    loaded = load_bench(CONFIGS / name / "bench.yaml")
    joint = loaded.file.joint.model_copy(update={"stand_off_um": None})
    file = loaded.file.model_copy(update={"joint": joint, "abbe": None, "sag": None})
    adapters = {
        one.id: one.model_copy(update={"given": one.given.model_copy(update={"points_um": ()})})
        for one in loaded.records.adapters.values()
    }
    return LoadedBench(file, loaded.source, replace(loaded.records, adapters=adapters))


@pytest.fixture(scope="module")
def wall() -> LoadedBench:
    return unbounded("workshop")


@pytest.fixture(scope="module")
def collimated() -> LoadedBench:
    return unbounded("workshop-collimated")


def calibrations() -> dict[str, CalibrationInForce]:
    return {
        "bench-zero": CalibrationInForce("cal-7", "bench-zero", 24012.4, 1.8),
        "ring-07": CalibrationInForce("cal-3", "ring-07", 18003.2, 0.8),
        "joint": CalibrationInForce("cal-2", "joint", 0.0, 0.7, dof=14),
    }


def set_up(bench: LoadedBench, **changes: Any) -> SetupDocument:
    return apply(first_setup(bench.file), {**WORKED, **changes}, bench.records, bench.file)


def chain_of(
    bench: LoadedBench,
    in_force: dict[str, CalibrationInForce] | None = None,
    scale: ScaleRecord = EXACT,
    **changes: Any,
) -> Chain:
    known = calibrations() if in_force is None else in_force
    return datum_chain(bench.file, bench.records, set_up(bench, **changes), known, scale)


def carriage(chain: Chain) -> float:
    assert chain.carriage_um is not None
    return chain.carriage_um


def term(chain: Chain, name: str) -> tuple[float, float]:
    (found,) = [one for one in chain.terms if one.term == name]
    assert found.u_um is not None
    return found.value_um, found.u_um


def line(chain: Chain, name: str) -> float:
    (found,) = [one for one in chain.budget if one.term == name]
    return found.u_um


def test_worked_example_of_the_outer_contract(wall: LoadedBench) -> None:
    # The example's u of the conjugate term, 2.9 um, follows from 0.2 mm of focal length and 0.415 % of m; its
    # thermal 0.5 um from 0.7 K.
    bench = LoadedBench(
        wall.file.model_copy(update={"set_up": SetUp(u_distance_mm=3.0, u_temperature_K=0.7)}),
        wall.source,
        wall.records,
    )
    chain = chain_of(bench, m={"value": 0.0101, "u": 0.0000419})
    expected = {
        "flange_depth": (50000.0, 0.0),
        "glass pane-25": (857.8, 0.9),
        "conjugate": (501.0, 2.9),
        "trim": (0.0, 0.0),
        "base": (-24012.4, 1.8),
        "adapter ring-07": (-18003.2, 0.8),
        "joints": (0.0, 1.0),
    }
    for name, (value, u) in expected.items():
        assert term(chain, name)[0] == pytest.approx(value, abs=0.05), name
        assert term(chain, name)[1] == pytest.approx(u, abs=0.05), name
    assert term(chain, "thermal base")[0] == pytest.approx(-0.7, abs=0.05)
    assert term(chain, "thermal adapter ring-07")[0] == pytest.approx(-1.0, abs=0.05)
    assert line(chain, "thermal") == pytest.approx(0.5, abs=0.05)
    assert chain.carriage_um == pytest.approx(9341.5, abs=0.05)
    assert chain.u_um == pytest.approx(3.8, abs=0.05)
    assert chain.absolute
    assert chain.calibrations == ("cal-7", "cal-3", "cal-2")
    assert chain.notes[0] == "Ring at infinity, wall at 5.0 m: 501 µm of conjugate shift taken off."
    (joints,) = [one for one in chain.budget if one.term == "joints"]
    assert (joints.kind, joints.dof, joints.source) == ("A", 14, "cal-2")


def test_the_terms_add_up_and_the_budget_is_their_root_sum_of_squares(wall: LoadedBench) -> None:
    chain = chain_of(wall, scale=SCALE, trim_um=5)
    assert sum(one.value_um for one in chain.terms) == pytest.approx(carriage(chain), abs=1e-9)
    assert chain.u_um == pytest.approx(math.hypot(*(one.u_um for one in chain.budget)))
    assert published(chain)[-1].term == "carriage"
    assert published(chain)[-1].value_um == chain.carriage_um
    assert all(one.source for one in published(chain))


def test_every_line_of_the_budget_is_there_and_nothing_with_doubt_is_left_out(wall: LoadedBench) -> None:
    chain = chain_of(wall, scale=SCALE)
    assert {one.term for one in chain.budget} == {
        "glass pane-25",
        "conjugate",
        "base",
        "adapter ring-07",
        "joints",
        "thermal",
        "position scale",
        "position subdivision",
    }
    assert line(chain, "position scale") == pytest.approx(1e-5 * carriage(chain))
    assert line(chain, "position subdivision") == pytest.approx(0.15 / math.sqrt(2))
    assert [one.shape for one in chain.budget if one.term == "position subdivision"] == ["arcsine"]


@pytest.mark.parametrize("artefact", ["ring-07", "bench-zero"])
def test_without_a_calibration_findings_are_relative_or_wider_and_say_so(wall: LoadedBench, artefact: str) -> None:
    known = chain_of(wall)
    left = {name: one for name, one in calibrations().items() if name != artefact}
    chain = chain_of(wall, left)
    assert chain.u_um > known.u_um
    assert chain.absolute is (artefact != "bench-zero")
    assert any("not calibrated" in note for note in chain.notes)
    assert not any("not calibrated" in note for note in known.notes)
    assert len(chain.calibrations) == len(known.calibrations) - 1


# Length expansion: 100 mm of aluminium (23.6e-6) over 5 K grows by 11.80 um, 52 mm of steel (11.5e-6) by 0.598 um
# for each K; reference temperature 20 C (ISO 1).
@pytest.mark.published
@pytest.mark.parametrize(
    ("length", "alpha", "at_C", "grown"), [(100_000.0, 23.6e-6, 25.0, 11.80), (52_000.0, 11.5e-6, 21.0, 0.598)]
)
def test_thermal_growth_is_taken_off(wall: LoadedBench, length: float, alpha: float, at_C: float, grown: float) -> None:
    base = wall.file.base.model_copy(update={"alpha_per_K": alpha})
    bench = LoadedBench(wall.file.model_copy(update={"base": base}), wall.source, wall.records)
    known = {"bench-zero": CalibrationInForce("cal-1", "bench-zero", length, 1.0)}
    assert term(chain_of(bench, known, temperature_C=at_C), "thermal base")[0] == pytest.approx(-grown, abs=1e-9)


def test_thermal_parts_share_one_thermometer(wall: LoadedBench) -> None:
    chain = chain_of(wall, scale=SCALE, temperature_C=20.0)
    per_K = 24012.4 * 11.5e-6 + 18003.2 * 23e-6 + carriage(chain) * 8e-6
    # At the reference temperature only the thermometer's doubt is left, added with sign over all parts, and a
    # second-order rest of 5 % of alpha times that doubt.
    assert line(chain, "thermal") == pytest.approx(per_K * 0.3, rel=0.01)
    assert line(chain, "thermal") > math.hypot(
        *(one.u_um or 0.0 for one in chain.terms if one.term.startswith("thermal"))
    )
    warm = chain_of(wall, scale=SCALE, temperature_C=40.0)
    own = 0.05 * 20 * math.hypot(24012.4 * 11.5e-6, 18003.2 * 23e-6, carriage(warm) * 8e-6)
    assert line(warm, "thermal") == pytest.approx(math.hypot(per_K * 0.3, own), rel=0.01)


def test_a_temperature_nobody_stated_is_a_wide_doubt_and_not_a_zero(wall: LoadedBench) -> None:
    chain = chain_of(wall, temperature_C=None)
    value, u = term(chain, "thermal base")
    assert value == 0.0
    assert u == pytest.approx(24012.4 * 11.5e-6 * 10 / math.sqrt(3), rel=0.01)
    assert line(chain, "thermal") > 10 * line(chain_of(wall, temperature_C=20.0), "thermal")
    assert any("Temperature not stated" in note for note in chain.notes)


def test_the_scale_is_only_as_doubtful_as_the_way_from_its_calibration(wall: LoadedBench) -> None:
    known = calibrations()
    known["bench-zero"] = CalibrationInForce("cal-7", "bench-zero", 24012.4, 1.8, carriage_um=9000.0)
    chain = chain_of(wall, known, SCALE)
    assert line(chain, "position scale") == pytest.approx(1e-5 * (carriage(chain) - 9000.0))


def test_base_adapter_and_position_share_one_scale(wall: LoadedBench) -> None:
    """Its error was counted three times as if each had a scale of its own."""
    known = calibrations()
    u_scale = 1e-5
    known["bench-zero"] = CalibrationInForce("cal-7", "bench-zero", 24012.4, 0.6, carriage_um=21000.0)
    by_scale = u_scale * 18003.2
    known["ring-07"] = CalibrationInForce(
        "cal-3", "ring-07", 18003.2, math.hypot(0.4, by_scale), dof=20.0, shares=Shares(scale_um=by_scale)
    )
    chain = chain_of(wall, known, SCALE)
    # By drawing the scale: zero found at 21000, the adapter by going its length, the target now where it stands.
    eps = u_scale * np.random.default_rng(4).standard_normal(20_000)
    zero, adapter, now = 21000.0 * eps, -18003.2 * eps, -carriage(chain) * eps
    assert line(chain, "position scale") == pytest.approx(float(np.std(zero + adapter + now)), rel=0.03)
    assert line(chain, "adapter ring-07") == pytest.approx(0.4)
    (own,) = [term.dof for term in chain.budget if term.term == "adapter ring-07"]
    assert own == pytest.approx(20.0 * (0.4 / math.hypot(0.4, by_scale)) ** 4)
    assert term(chain, "adapter ring-07")[1] == pytest.approx(math.hypot(0.4, by_scale))


def test_depth_and_offset_go_both_ways(wall: LoadedBench) -> None:
    chain = chain_of(wall, scale=SCALE, trim_um=5, temperature_C=26.0)
    here = carriage(chain)
    assert chain.places.offset_um(here) == pytest.approx(5.0)
    assert chain.places.carriage_um(5.0) == pytest.approx(here)
    # One micrometre of reading is alpha dT more of travel on a scale that has grown.
    assert chain.places.offset_um(here + 1000.0) == pytest.approx(1005.0 + 1000.0 * 8e-6 * 6.0)
    assert chain.places.carriage_for_depth(chain.places.depth_um(1234.5)) == pytest.approx(1234.5)
    optical = sum(term(chain, name)[0] for name in ("flange_depth", "glass pane-25", "conjugate"))
    assert chain.places.depth_um(here) == pytest.approx(optical + 5.0)


def test_trim_moves_the_carriage_and_no_offset(wall: LoadedBench) -> None:
    plain, trimmed = chain_of(wall), chain_of(wall, trim_um=5)
    assert carriage(trimmed) - carriage(plain) == pytest.approx(5.0)
    assert trimmed.places.offset_um(9000.0) == pytest.approx(plain.places.offset_um(9000.0))
    assert trimmed.u_um == plain.u_um


def test_adapters_in_either_order_come_to_the_same_place(wall: LoadedBench) -> None:
    one = chain_of(wall, adapters=["gap-03", "gap-04", "ring-07"])
    other = chain_of(wall, adapters=["gap-04", "gap-03", "ring-07"])
    assert one.carriage_um == pytest.approx(carriage(other))
    assert one.u_um == pytest.approx(other.u_um)
    assert term(one, "joints")[1] == pytest.approx(0.7 * 2)
    assert carriage(one) == pytest.approx(carriage(chain_of(wall)) - 3001.0 - 4000.5, abs=0.5)


def test_glass_moves_the_target_deeper_by_its_paraxial_shift(wall: LoadedBench) -> None:
    with_glass, without = chain_of(wall), chain_of(wall, glass=[])
    assert carriage(with_glass) - carriage(without) == pytest.approx(2498 * (1 - 1 / 1.523))


def test_glass_in_another_light_is_more_doubtful(wall: LoadedBench) -> None:
    green, red = chain_of(wall), chain_of(wall, light_nm=630)
    assert line(red, "glass pane-25") > 2 * line(green, "glass pane-25")
    # N-BK7 changes by 0.0040 from 546 to 644 nm (Sellmeier): the widened doubt must cover what real crown does.
    assert line(red, "glass pane-25") > 2498 / 1.523**2 * 0.0035 / math.sqrt(3)
    assert any("light is 630 nm" in note for note in red.notes)


def test_a_cover_over_the_target_is_glass_too(wall: LoadedBench) -> None:
    layer = wall.records.glass("pane-25").layers[0]
    target = wall.file.target.model_copy(update={"cover": (layer,)})
    bench = LoadedBench(wall.file.model_copy(update={"target": target}), wall.source, wall.records)
    chain = chain_of(bench)
    assert term(chain, "target_cover")[0] == pytest.approx(2498 * (1 - 1 / 1.523))
    assert carriage(chain) - carriage(chain_of(wall)) == pytest.approx(term(chain, "target_cover")[0])


def test_a_target_without_a_cover_and_a_sag_that_nobody_measured_are_told(wall: LoadedBench) -> None:
    chain = chain_of(wall)
    (cover,) = [one for one in chain.terms if one.term == "target_cover"]
    assert (cover.value_um, cover.u_um, cover.source) == (0.0, 0.0, "no cover")
    (sag,) = [one for one in published(chain) if one.term == "sag"]
    # What cannot be said is null: a u of 0 would be a certainty that nobody has.
    assert (sag.value_um, sag.u_um, sag.source) == (0.0, None, "not stated")
    assert any(note.startswith("Taken as zero, without an uncertainty") and "sag" in note for note in chain.notes)
    document = with_chain(set_up(wall), chain).model_dump(mode="json")
    assert [one["u_um"] for one in document["chain"] if one["term"] == "sag"] == [None]


def test_a_scale_whose_expansion_nobody_stated_is_told_not_to_be_taken_back(wall: LoadedBench) -> None:
    stated = chain_of(wall, scale=SCALE, temperature_C=26.0)
    unstated = ScaleRecord(SCALE.u_scale, SCALE.subdivision_um, None)
    chain = chain_of(wall, scale=unstated, temperature_C=26.0)
    # 9.35 mm of glass, 8e-6/K, over 6 K.
    assert carriage(chain) - carriage(stated) == pytest.approx(0.45, abs=0.005)
    (line_,) = [one for one in published(chain) if one.term == "thermal scale"]
    assert (line_.value_um, line_.u_um, line_.source) == (0.0, None, "not stated")
    document = with_chain(set_up(wall), chain).model_dump(mode="json")
    assert [one["u_um"] for one in document["chain"] if one["term"] == "thermal scale"] == [None]
    (note,) = [one for one in chain.notes if "alpha_per_K" in one]
    assert "zero, without an uncertainty" in note
    assert "At 26 °C: base and adapters are taken back to 20 °C, the scale and the lens itself are not." in chain.notes
    assert "At 26 °C: base, adapters and scale are taken back to 20 °C, the lens itself is not." in stated.notes
    assert not any("alpha_per_K" in one for one in stated.notes)


def test_a_scale_that_is_stated_not_to_grow_needs_no_note(wall: LoadedBench) -> None:
    chain = chain_of(wall, scale=ScaleRecord(1e-5, 0.15, 0.0), temperature_C=26.0)
    assert term(chain, "thermal scale") == (0.0, 0.0)
    assert not any("alpha_per_K" in one for one in chain.notes)


@pytest.mark.parametrize(
    ("changes", "in_force", "scale", "why"),
    [
        ({}, None, SCALE, ()),
        ({"distance_mm": None}, None, SCALE, ("the distance to the wall is not stated",)),
        ({"ring": "free"}, None, SCALE, ("the ring stands free",)),
        ({"ring": None}, None, SCALE, ("the ring's position is not stated",)),
        ({}, None, None, ("nothing is stated of the carriage's position",)),
        ({}, {}, SCALE, ("the bench's base is not calibrated",)),
        (
            {"ring": None}, {}, None,
            ("the bench's base is not calibrated", "nothing is stated of the carriage's position",
             "the ring's position is not stated"),
        ),
    ],
)  # fmt: skip
def test_a_relative_chain_says_what_is_missing_and_nothing_else(
    wall: LoadedBench,
    changes: dict[str, Any],
    in_force: dict[str, CalibrationInForce] | None,
    scale: ScaleRecord | None,
    why: tuple[str, ...],
) -> None:
    setup = set_up(wall, **changes)
    chain = datum_chain(wall.file, wall.records, setup, calibrations() if in_force is None else in_force, scale)
    assert chain.why_relative == why
    assert chain.absolute is (not why)
    assert with_chain(setup, chain).model_dump(mode="json")["why_relative"] == list(why)


def test_without_a_lens_there_is_depth_and_no_nominal_place(wall: LoadedBench) -> None:
    chain = chain_of(wall, lens=None, glass=[], ring=None)
    assert chain.carriage_um is None
    assert not chain.absolute
    assert chain.places.offset_um(1000.0) is None
    assert chain.places.carriage_um(0.0) is None
    assert chain.places.depth_um(1000.0) == pytest.approx(24012.4 + 18003.2 + 1000.0 + 1.66, abs=0.01)
    assert term(chain, "joints")[1] == pytest.approx(0.7)


def test_the_set_up_document_carries_the_chain_as_json(wall: LoadedBench) -> None:
    setup = set_up(wall)
    chain = datum_chain(wall.file, wall.records, setup, calibrations(), SCALE)
    document = with_chain(setup, chain).model_dump(mode="json")
    assert document["chain"][0]["term"] == "flange_depth"
    assert set(document["chain"][0]) >= {"term", "value_um", "u_um", "dof", "source"}
    assert document["absolute"] is True
    assert SetupDocument.model_validate_json(with_chain(setup, chain).model_dump_json()) == with_chain(setup, chain)


def test_an_unknown_record_is_refused(wall: LoadedBench) -> None:
    setup = set_up(wall).model_copy(update={"glass": ("pane-52",)})
    with pytest.raises(Refused) as caught:
        datum_chain(wall.file, wall.records, setup, {}, EXACT)
    assert caught.value.code == "unknown_name"
