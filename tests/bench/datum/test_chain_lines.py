"""Every line of the chain's budget by hand: its u, its degrees of freedom, the temperature at which a length holds."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, position_noise_um
from benchd.bench.datum.feasibility import chain_budget
from benchd.files.artefacts import FocalLength, FocusScale, PrincipalGap
from benchd.files.bench_file import BenchFile
from benchd.files.loading import LoadedBench
from benchd.metrology.budget import combine
from benchd.metrology.chain_term import ChainTerm
from tests.bench.datum.wall_chain import EXACT, chain_of

STEEL, ALUMINIUM = 11.5e-6, 23.0e-6


def with_file(bench: LoadedBench, **update: Any) -> LoadedBench:
    return LoadedBench(bench.file.model_copy(update=update), bench.source, bench.records)


def with_lens(bench: LoadedBench, **update: Any) -> LoadedBench:
    lens = bench.records.lens("L-0417").model_copy(update=update)
    return LoadedBench(bench.file, bench.source, replace(bench.records, lenses={"L-0417": lens}))


def line(chain: Chain, name: str) -> ChainTerm:
    (found,) = [one for one in chain.budget if one.term == name]
    return found


def value(chain: Chain, name: str) -> float:
    (found,) = [one for one in chain.terms if one.term == name]
    return found.value_um


def as_given(bench: LoadedBench, **update: Any) -> LoadedBench:
    """The base and the adapter as bench file and record give them, with something of that stated otherwise."""
    base = bench.file.base.model_copy(update={"given": bench.file.base.given.model_copy(update=update)})
    ring = bench.records.adapter("ring-07")
    ring = ring.model_copy(update={"given": ring.given.model_copy(update=update)})
    records = replace(bench.records, adapters={**bench.records.adapters, "ring-07": ring})
    file: BenchFile = bench.file.model_copy(update={"base": base})
    return LoadedBench(file, bench.source, records)


def test_seats_as_the_bench_file_states_them_add_by_squares(wall: LoadedBench) -> None:
    """JCGM 100, 5.1.2: four pairs, each .7 um and none like another, are twice .7."""
    assert line(chain_of(wall, adapters=["gap-03", "gap-04", "ring-07"]), "joints").u_um == pytest.approx(1.4)
    assert line(chain_of(wall), "joints").u_um == pytest.approx(0.7 * math.sqrt(2.0))


def test_how_well_a_length_is_known_reaches_the_interval(wall: LoadedBench) -> None:
    """A base from five remounts was taken for one that is known exactly well."""
    in_force = {
        "bench-zero": CalibrationInForce("cal-7", "bench-zero", 24000.0, 3.0, dof=4.0),
        "ring-07": CalibrationInForce("cal-3", "ring-07", 18000.0, 2.0, dof=5.0),
    }
    chain = chain_of(wall, in_force, ring="infinity", distance_mm=5000)
    assert {one.term: one.dof for one in chain.budget if one.dof is not None} == {"base": 4.0, "adapter ring-07": 5.0}
    # Welch-Satterthwaite (JCGM 100, G.2b), by hand.
    assert combine(chain_budget(chain)).dof == pytest.approx(chain.u_um**4 / (3.0**4 / 4.0 + 2.0**4 / 5.0))
    stated = chain_of(as_given(wall, dof=8.0), {}, ring="infinity", distance_mm=5000)
    assert {one.term: one.dof for one in stated.budget if one.dof is not None} == {"base": 8.0, "adapter ring-07": 8.0}


def test_a_length_is_as_long_as_stated_at_the_temperature_it_is_stated_for(wall: LoadedBench) -> None:
    """Expansion by ISO 1's kind of sum: alpha times length for each kelvin from there, not from 20 C."""
    in_force = {
        "bench-zero": CalibrationInForce("cal-7", "bench-zero", 24000.0, 1.0, at_C=23.0),
        "ring-07": CalibrationInForce("cal-3", "ring-07", 18000.0, 1.0, at_C=24.0),
    }
    chain = chain_of(wall, in_force, temperature_C=26.0)
    assert value(chain, "thermal base") == pytest.approx(-24000.0 * STEEL * 3.0)
    assert value(chain, "thermal adapter ring-07") == pytest.approx(-18000.0 * ALUMINIUM * 2.0)
    given = chain_of(as_given(wall, at_C=22.0, length_um=20000.0), {}, temperature_C=26.0)
    assert value(given, "thermal base") == pytest.approx(-20000.0 * STEEL * 4.0)
    assert value(given, "thermal adapter ring-07") == pytest.approx(-20000.0 * ALUMINIUM * 4.0)


def test_where_nothing_is_to_be_taken_back_both_doubts_are_left_multiplied(wall: LoadedBench) -> None:
    """JCGM 100, 5.1.2 note: at 20 C the doubt of a coefficient counts by that of the thermometer."""
    none = with_file(wall, set_up=wall.file.set_up.model_copy(update={"u_temperature_K": 2.0}))
    thermal = line(chain_of(none, scale=replace(EXACT, alpha_per_K=0.0)), "thermal")
    base, ring = 24000.0 * STEEL, 18003.2 * ALUMINIUM
    parts = {part.name: part.u for part in thermal.parts}
    assert parts == pytest.approx(
        {"temperature": 2.0 * (base + ring), "expansion": 0.05 * 2.0 * math.hypot(base, ring)}
    )
    assert thermal.u_um == pytest.approx(math.hypot(*parts.values()))
    # For the eye each part stands with both of its own.
    u = {one.term: one.u_um for one in chain_of(none, scale=replace(EXACT, alpha_per_K=0.0)).terms}
    assert u["thermal base"] == pytest.approx(2.0 * math.hypot(base, 0.05 * base))


def test_a_room_of_which_nobody_knows_is_a_rectangle(wall: LoadedBench) -> None:
    """JCGM 100, 4.3.7: +-10 K, and nothing says where between."""
    thermal = line(chain_of(wall, temperature_C=None), "thermal")
    assert thermal.shape == "rectangular"
    assert line(chain_of(wall), "thermal").shape == "normal"
    (part,) = [one for one in chain_of(wall, temperature_C=None).terms if one.term == "thermal base"]
    assert part.shape == "rectangular"


@pytest.mark.parametrize(
    ("light_nm", "u_colour"), [(546.0, 0.0), (630.0, 0.523 / 30.0 / 170.1 * 84.0 / math.sqrt(3.0))]
)
def test_a_plate_is_in_doubt_by_its_thickness_and_by_its_index(
    wall: LoadedBench, light_nm: float, u_colour: float
) -> None:
    """t (1 - 1/n) differentiated by hand; of V = (n - 1) / (F - C) over 170 nm another colour is a rectangle."""
    n, t_um = 1.5230, 2498.0
    by_thickness = 2.0 * (1.0 - 1.0 / n)
    by_index = t_um / n**2 * math.hypot(0.0005, u_colour)
    found = line(chain_of(wall, light_nm=light_nm), "glass pane-25")
    assert {part.name: part.u for part in found.parts} == pytest.approx(
        {"thickness": by_thickness, "index": by_index}, rel=1e-3
    )
    assert found.u_um == pytest.approx(math.hypot(by_thickness, by_index), rel=1e-3)


def test_a_position_is_noisy_by_its_subdivision_and_by_its_last_digit() -> None:
    """JCGM 100, 4.3.7: an amplitude at a phase nobody knows is arcsine, a step of the last digit a rectangle."""
    digit = 0.5 / math.sqrt(12.0)
    assert position_noise_um(ScaleRecord(1e-5, 0.3, None), 0.5) == pytest.approx(
        math.hypot(0.3 / math.sqrt(2.0), digit)
    )
    by_steps = ScaleRecord(5e-5, 2.5, None, by_steps=True, u_backlash_um=1.0, u_home_um=3.0)
    # What a turn of the screw repeats is no noise: it is the same at the same place.
    assert position_noise_um(by_steps, 0.5) == pytest.approx(math.hypot(1.0, digit))
    assert position_noise_um(ScaleRecord(0.0, 0.0, None), 0.5) == pytest.approx(digit)
    assert position_noise_um(None, 0.5) == 0.0


# Newton's formula with D from object to image, thin lens of 50 mm: 2786.405 um at 1 m, 510.257 um at 5 m.
WALL_UM, MARK_UM = 2786.405, 510.257
M_WALL, M_MARK = WALL_UM / 50_000.0, MARK_UM / 50_000.0


@pytest.mark.published
@pytest.mark.parametrize("by", ["m measured", "m and distance measured"])
def test_the_shift_of_a_ring_s_mark_is_taken_off_by_every_route(wall: LoadedBench, by: str) -> None:
    """At the mark 5 m the lens stands 510 um out already: only the rest of the wall's 2786 um is left."""
    f, gap = FocalLength(value=50.0, u=0.5), PrincipalGap(value=0.0, u=0.5)
    by_tape = with_file(wall, set_up=wall.file.set_up.model_copy(update={"u_distance_mm": 0.1}))
    bench = with_lens(by_tape, focal_length_mm=f, principal_gap_mm=gap)
    distance = 1000.0 if by == "m and distance measured" else None
    chain = chain_of(bench, ring={"mark": 5}, distance_mm=distance, m={"value": M_WALL, "u": 1e-5})
    found = line(chain, "conjugate")
    assert found.source == by
    assert found.value_um == pytest.approx(WALL_UM - MARK_UM, abs=0.01)
    # Differentiated by hand; x'(s) goes by 2m/(1-m) with f and by m^2/(1-m^2) with h.
    mark_f, mark_h = 2.0 * M_MARK / (1.0 - M_MARK), M_MARK**2 / (1.0 - M_MARK**2)
    share = (M_WALL / (1.0 + M_WALL)) ** 2
    if distance is None:
        parts = {"focal length": (M_WALL - mark_f) * 500.0, "gap": mark_h * 500.0, "m": 50_000.0 * 1e-5}
    else:
        by_m = 2.0 * 1e6 * M_WALL / (1.0 + M_WALL) ** 3 * 1e-5
        parts = {"focal length": mark_f * 500.0, "gap": (share + mark_h) * 500.0, "distance": share * 100.0, "m": by_m}
    assert {part.name: part.u for part in found.parts} == pytest.approx(parts, rel=2e-3)
    assert found.u_um == pytest.approx(math.hypot(*parts.values()), rel=2e-3)


def test_a_mark_in_feet_is_304_8_mm_each(wall: LoadedBench) -> None:
    """International foot of 1959, exactly .3048 m: a ring set to a wall five feet off leaves no shift."""
    bench = with_lens(wall, scale=FocusScale(unit="ft", marks=(5, "inf")))
    chain = chain_of(bench, ring={"mark": 5}, distance_mm=5 * 304.8)
    assert value(chain, "conjugate") == pytest.approx(0.0, abs=1e-6)
    in_metres = chain_of(wall, ring={"mark": 5}, distance_mm=5 * 304.8)
    assert value(in_metres, "conjugate") > 1000.0


def test_the_gap_of_the_principal_planes_counts_at_the_mark_as_at_the_wall(wall: LoadedBench) -> None:
    bench = with_lens(wall, principal_gap_mm=PrincipalGap(value=20.0, u=2.0))
    assert value(chain_of(bench, ring={"mark": 5}, distance_mm=5000), "conjugate") == pytest.approx(0.0, abs=1e-6)


def test_a_gap_that_no_record_states_is_in_doubt_by_10_mm(wall: LoadedBench) -> None:
    """Common practice, no source: half of the length of a lens barrel either way."""
    chain = chain_of(with_lens(wall, principal_gap_mm=None), ring="infinity", distance_mm=5000)
    (gap,) = [part.u for part in line(chain, "conjugate").parts if part.name == "gap"]
    m = 0.010122
    assert gap == pytest.approx(1e4 * m * m / (1 - m * m), rel=1e-3)
