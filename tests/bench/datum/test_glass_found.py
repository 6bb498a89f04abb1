"""The rear glass by its record, or as it was found put in and out: the surer of the two, held against the other."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from benchd.bench.datum.chain import CalibrationInForce, Chain
from benchd.bench.datum.glass_found import glass_artefact
from benchd.files.loading import LoadedBench
from tests.bench.datum.wall_chain import BASE, chain_of

# t (1 - 1/n) of the record: 2.498(2) mm, n 1.5230(5) at 546 nm; its u .87 um.
RECORD_UM = 2498.0 * (1.0 - 1.0 / 1.5230)
RECORD_U_UM = math.hypot(2.0 * (1.0 - 1.0 / 1.5230), 2498.0 / 1.5230**2 * 0.0005)
FOUND = CalibrationInForce(
    "cal-12", "glass.pane-25", RECORD_UM + 1.0, 0.4, 150.0, light_nm=546.0, how="+860.9 µm measured at f/5.6"
)


def with_found(bench: LoadedBench, found: CalibrationInForce | None, **changes: Any) -> Chain:
    known = {**BASE, **({} if found is None else {found.artefact: found})}
    return chain_of(bench, known, distance_mm=5000.0, ring="infinity", light_nm=546.0, **changes)


def glass_line(chain: Chain) -> tuple[float, float, str]:
    (line,) = [line for line in chain.budget if line.term.startswith("glass")]
    return line.value_um, line.u_um, line.source


def test_the_chain_goes_by_what_was_found_and_says_how(wall: LoadedBench) -> None:
    plain, found = with_found(wall, None), with_found(wall, FOUND)
    value, u, source = glass_line(plain)
    assert (value, u) == pytest.approx((RECORD_UM, RECORD_U_UM))
    assert source == "pane-25"
    assert glass_line(found) == (FOUND.value, 0.4, "cal-12")
    assert found.carriage_um is not None
    assert plain.carriage_um is not None
    assert found.carriage_um - plain.carriage_um == pytest.approx(1.0)
    assert found.u_um < plain.u_um
    assert "cal-12" in found.calibrations
    assert "Glass pane-25 by cal-12: +860.9 µm measured at f/5.6." in found.notes
    assert found.why_relative == plain.why_relative


def test_a_record_that_is_surer_stands(wall: LoadedBench) -> None:
    found = with_found(wall, replace(FOUND, u=1.2))
    assert glass_line(found)[2] == "pane-25"
    assert "cal-12" not in found.calibrations


@pytest.mark.parametrize("u_um", [0.4, 1.2])
@pytest.mark.parametrize(("off", "apart"), [(2.9, False), (3.1, True), (-3.1, True)])
def test_one_is_held_against_the_other_at_three_standard_uncertainties(
    wall: LoadedBench, u_um: float, off: float, apart: bool
) -> None:
    """Whichever the chain goes by: another plate in that holder is wrong by either."""
    u = math.hypot(u_um, RECORD_U_UM)
    found = with_found(wall, replace(FOUND, value=RECORD_UM + off * u, u=u_um))
    told = [why for why in found.why_relative if "pane-25" in why]
    assert bool(told) is apart
    if apart:
        assert told == [
            f"glass pane-25 shifts by {3.1 * u:.1f} µm {'more' if off > 0 else 'less'} than its record says"
        ]


def test_other_light_than_it_was_found_in_costs_as_much_as_glass_may_disperse(wall: LoadedBench) -> None:
    """At 606 nm where it was found at 546: the index by (n - 1)/30 over F to C, 170.1 nm, rectangular."""
    per_nm = 0.5230 / 30.0 / 170.1
    colour = 2498.0 / 1.5230**2 * per_nm * 60.0 / math.sqrt(3.0)
    red = chain_of(wall, {**BASE, FOUND.artefact: FOUND}, distance_mm=5000.0, ring="infinity", light_nm=606.0)
    # The record's index holds at 546 as well and is in as much doubt, so that what was found is still the surer.
    assert glass_line(red)[1] == pytest.approx(math.hypot(0.4, colour), rel=1e-6)


def test_plates_found_together_hold_together_alone(wall: LoadedBench) -> None:
    assert glass_artefact(("pane-25", "grey")) == glass_artefact(("grey", "pane-25")) == "glass.grey.pane-25"
    pair = replace(FOUND, artefact=glass_artefact(("grey", "pane-25")))
    assert glass_line(with_found(wall, pair))[2] == "pane-25"
