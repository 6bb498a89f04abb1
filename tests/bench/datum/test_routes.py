"""Two ways to count to the target: base and adapters, or the zero on the adapters' own seat."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from benchd.arrangements.setup_document import apply, first_setup
from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, datum_chain
from benchd.bench.datum.routes import by_parts, by_seat, seat_artefact
from benchd.files.loading import LoadedBench

SCALE = ScaleRecord(1e-5, 0.15, 8.0e-6)
BASE = CalibrationInForce("cal-1", "bench-zero", 24012.4, 1.0, 8.0, carriage_um=21000.0, setup=3)
RING = CalibrationInForce("cal-2", "ring-07", 18003.2, 0.8, 8.0, carriage_um=3000.0, setup=5)
SEAT = CalibrationInForce("cal-3", "bench-zero.ring-07", 42015.9, 0.7, 8.0, carriage_um=2985.0, setup=7)
STATED: dict[str, Any] = {
    "lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity", "distance_mm": 5000.0,
    "m": {"value": 0.01010, "u": 0.00001}, "temperature_C": 21.5,
}  # fmt: skip


def chain(wall: LoadedBench, *known: CalibrationInForce, since: int = 0, **changes: Any) -> Chain:
    setup = apply(first_setup(wall.file), {**STATED, **changes}, wall.records, wall.file)
    return datum_chain(wall.file, wall.records, setup, {one.artefact: one for one in known}, SCALE, stand_since=since)


def lines(found: Chain) -> dict[str, float]:
    return {line.term: line.u_um for line in found.budget}


def test_a_zero_on_the_seat_has_no_adapter_and_one_joint_less(wall: LoadedBench) -> None:
    parts, seat = chain(wall, BASE, RING), chain(wall, SEAT)
    assert {"base", "adapter ring-07"} <= set(lines(parts))
    assert not {"base", "adapter ring-07"} & set(lines(seat))
    assert lines(seat)["seat ring-07"] == 0.7
    assert lines(parts)["joints"] == pytest.approx(0.7 * math.sqrt(2.0))
    assert lines(seat)["joints"] == pytest.approx(0.7), "the lens's own"
    assert seat.absolute
    assert seat.calibrations == ("cal-3",)
    assert seat.u_um < parts.u_um


def test_of_two_routes_the_surer_is_taken_and_says_so(wall: LoadedBench) -> None:
    both = chain(wall, BASE, RING, SEAT)
    assert both.calibrations == ("cal-3",)
    assert "ring-07 has not been taken off since cal-3 was found on its seat, by the set-ups since." in both.notes
    worse = replace(SEAT, u=3.0)
    assert chain(wall, BASE, RING, worse).calibrations == ("cal-1", "cal-2")


def test_adapters_taken_off_since_make_their_joint_anew(wall: LoadedBench) -> None:
    """As it was then and as it is now: two draws, and the lens's, root 3."""
    moved = chain(wall, SEAT, since=8)
    assert lines(moved)["joints"] == pytest.approx(0.7 * math.sqrt(3.0))
    assert any("was taken off since cal-3" in note for note in moved.notes)
    assert chain(wall, SEAT, since=7).u_um < moved.u_um


def test_both_grow_alike(wall: LoadedBench) -> None:
    """24 mm of steel and 18 of aluminium, whichever way their length is known."""
    for calibrations in ((BASE, RING), (SEAT,)):
        cold, warm = (chain(wall, *calibrations, temperature_C=C) for C in (20.0, 30.0))
        assert cold.carriage_um is not None
        assert warm.carriage_um is not None
        grows = 10.0 * (24012.0 * 11.5e-6 + 18003.0 * 23.0e-6)
        of_scale = 10.0 * 8.0e-6 * cold.carriage_um
        assert cold.carriage_um - warm.carriage_um == pytest.approx(grows + of_scale, abs=0.1)


def test_routes_that_contradict_each_other_make_it_relative(wall: LoadedBench) -> None:
    """24012.4 + 18003.2 is 42015.6; the u of the difference is that of all three and of one joint, 1.62 um."""
    u = math.hypot(1.0, 0.8, 0.7, 0.7)
    for off, absolute in ((2.9 * u, True), (3.1 * u, False), (-3.1 * u, False)):
        found = chain(wall, BASE, RING, replace(SEAT, value=42015.6 + off))
        assert found.absolute is absolute
    assert found.why_relative == (
        f"the zero on the seat and that of base and adapters are {3.1 * u:.1f} µm apart (u = {u:.1f})",
    )


def test_one_that_is_only_given_contradicts_nothing(wall: LoadedBench) -> None:
    assert chain(wall, SEAT).absolute, "base and ring stand as given, and are 12 um off"


def test_it_is_of_these_adapters_in_this_order_and_of_no_others(wall: LoadedBench) -> None:
    assert seat_artefact(wall.file, ["gap-03", "ring-07"]) == "bench-zero.gap-03.ring-07"
    stack = [wall.records.adapter(name) for name in ("gap-03", "ring-07")]
    assert by_seat(wall.file, stack, {SEAT.artefact: SEAT}, 0) is None
    assert by_seat(wall.file, [], {SEAT.artefact: SEAT}, 0) is None
    assert by_parts(wall.file, stack, {}).joints == 2


def test_deleting_it_widens_the_interval(wall: LoadedBench) -> None:
    assert chain(wall, BASE, RING).u_um > chain(wall, BASE, RING, SEAT).u_um
    assert not chain(wall).absolute
