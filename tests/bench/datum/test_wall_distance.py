"""The distance to the wall goes with the target when what is on the bench changes: held against the simulated world."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.arrangements.setup_document import SetupDocument, apply, first_setup
from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, datum_chain
from benchd.bench.datum.wall_distance import carry_over
from benchd.bench.setup_change import change_outcome
from benchd.files.loading import load_bench
from benchd.verbs.setup import SetUp
from benchd_simulators.world.world import load_world

BENCH = load_bench(Path(__file__).parents[3] / "configs" / "workshop" / "bench.yaml")
SCALE = ScaleRecord(u_scale=0.0, subdivision_um=0.0, alpha_per_K=None)
BASE = {"bench-zero": CalibrationInForce("cal-7", "bench-zero", 24000.0, 1.0)}
STANDS: dict[str, Any] = {
    "lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity", "distance_mm": 5000.0,
    "m": {"value": 0.0101217, "u": 0.0000101}, "temperature_C": 20.0,
}  # fmt: skip


def chain_of(document: SetupDocument) -> Chain:
    return datum_chain(BENCH.file, BENCH.records, document, BASE, SCALE)


def changed(before: SetupDocument, **changes: Any) -> tuple[SetupDocument, dict[str, Any]]:
    """As the bench changes it, and what is answered."""
    after = apply(before, changes, BENCH.records, BENCH.file)
    after = carry_over(before, chain_of(before), after, chain_of, changes, BENCH.records)
    told = change_outcome(before, chain_of(before), after, chain_of(after), changes)
    SetUp.model_validate(told)
    return after, told


@pytest.fixture
def stands() -> SetupDocument:
    return apply(first_setup(BENCH.file), STANDS, BENCH.records, BENCH.file)


def test_an_adapter_more_brings_the_target_nearer_to_the_wall_by_its_length(stands: SetupDocument) -> None:
    """distance_mm and m survived it unchanged: 1.9 um of nominal at 50 mm for 18 mm of adapter, 14.6 at 135 mm."""
    thicker, told = changed(stands, adapters=["gap-03", "ring-07"])
    (distance, m) = told["carried"]
    assert (distance["key"], distance["was"], distance["now"]) == ("distance_mm", 5000.0, thicker.distance_mm)
    assert thicker.distance_mm == pytest.approx(5000.0 - 3.001, abs=1e-3)
    assert told["dropped"] == []
    # dm/dT = -m^2 / (f (1 - m^2)), by differentiating T = f (1 + m)^2 / m + h.
    grown = 3.001 * 0.0101217**2 / (49.6 * (1.0 - 0.0101217**2))
    assert m["now"]["value"] == pytest.approx(0.0101217 + grown, abs=1e-8)
    assert m["now"]["u"] == m["was"]["u"]
    back, _ = changed(thicker, adapters=["ring-07"])
    assert back.distance_mm == 5000.0
    assert back.m is not None
    assert back.m.value == pytest.approx(0.0101217, rel=1e-9)


def test_what_is_stated_in_the_same_change_is_left_as_it_was_stated(stands: SetupDocument) -> None:
    after, told = changed(stands, adapters=["gap-03", "ring-07"], distance_mm=4990.0, m={"value": 0.0102, "u": 1e-5})
    assert (after.distance_mm, told["carried"]) == (4990.0, [])


def test_another_lens_keeps_the_distance_and_none_drops_it(stands: SetupDocument) -> None:
    other, told = changed(stands, lens="L-0418", ring="infinity")
    assert other.distance_mm == pytest.approx(5000.0, abs=0.6)  # of one mount: by the conjugate term alone
    assert [one["key"] for one in told["dropped"]] == ["m"]
    bare, told = changed(stands, lens=None, adapters=[], glass=[])
    assert bare.distance_mm is None
    assert ("distance_mm", "it is counted from the target, and without a lens nobody knows where that stood") in [
        (one["key"], one["why"]) for one in told["dropped"]
    ]
    early = apply(bare, {"distance_mm": 5000.0}, BENCH.records, BENCH.file)
    assert changed(early, lens="L-0417", adapters=["ring-07"])[0].distance_mm is None


def test_the_world_s_wall_stays_where_it_is_too(stands: SetupDocument) -> None:
    world = load_world("workshop", 3, 1.0, lambda: 0.0)

    def hand(do: str, what: str, **more: Any) -> dict[str, Any]:
        answer = world.hand({"do": do, "what": what, **more})
        assert answer["ok"], answer
        return answer

    taped, true = hand("measure", "tape"), world.room.true_distance_mm
    hand("remove", "lens")
    hand("remove", "glass", id="pane-25")
    hand("remove", "adapter", id="ring-07")
    hand("fit", "adapter", id="gap-03")
    hand("fit", "adapter", id="ring-07")
    hand("fit", "glass", id="pane-25")
    hand("fit", "lens", id="L-0417")
    assert world.room.true_distance_mm - true == pytest.approx(-3.001, abs=0.01)
    measured = {"distance_mm": taped["distance_mm"], "m": taped["m"]}
    after, _ = changed(apply(stands, measured, BENCH.records, BENCH.file), adapters=["gap-03", "ring-07"])
    again = hand("measure", "tape")
    assert after.distance_mm == pytest.approx(again["distance_mm"], abs=0.06)  # a tape is read to a tenth
    assert after.m is not None
    # The pitch on the wall is taken anew, to a part in a thousand.
    assert after.m.value == pytest.approx(again["m"]["value"], rel=5e-3)
