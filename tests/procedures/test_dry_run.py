"""The shipped procedures gone through without a bench: what moves where, what is asked, how long it takes."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from rich.console import Console

from benchd.arrangements.places import OnCarriage
from benchd.bench.datum.clearance import Clearance
from benchd.bench.sweep.sweep_data import SweepOrder
from benchd.cli.plans import plan_table
from benchd.detectors.available import Chosen
from benchd.detectors.detector import DEFAULT_LP_MM
from benchd.errors import Refused
from benchd.procedures.inputs import parse_inputs
from benchd.procedures.language import read_procedure, sweep_procedure
from benchd.procedures.library import Library
from benchd.procedures.plan import Plan
from benchd.procedures.predict import dry_run
from benchd.verbs.entry import Entry
from benchd.verbs.view import BenchView, SetupPlaces

BASE_UM, RING_UM, GLASS_UM, CONJUGATE_UM = 24000.0, 18003.2, 857.8, 501.0


def where(changes: Mapping[str, Any]) -> SetupPlaces:
    adapters, glass = changes.get("adapters") or [], changes.get("glass") or []
    if "wide-99" in glass:
        raise Refused("clearance", "Rear element, glass and target would have 1.2 mm between them; 2 mm is the least.")
    zero = BASE_UM + RING_UM * len(adapters)
    nominal = 50000.0 + CONJUGATE_UM + GLASS_UM * len(glass) - zero if changes.get("lens") else None
    return SetupPlaces(OnCarriage(zero, 0.0, nominal), half_width_um=35.25, setup=changes)


def points_of(
    seconds: float, *, lp_mm: float | None = None, tells_blur: bool = True
) -> Callable[[str, float | None], Chosen]:
    """A detector of which a point takes so long; with `lp_mm` one that measures at no other frequency."""
    detector: Any = SimpleNamespace(name="edge", modulation=True, tells_blur=tells_blur, returns_every=0)
    return lambda merit, asked: Chosen(detector, lp_mm or asked or DEFAULT_LP_MM, seconds)


BENCH = BenchView(
    devices={"carriage", "indicator", "target_light", "detector"},
    calibrations=set(),
    travel_um=(0.0, 30000.0),
    top_speed_um_s=4000.0,
    acceleration_um_s2=20000.0,
    settle_s=0.15,
    detector_for=points_of(0.1),
    home_s=6.0,
    homed=False,
    stale=True,
    carriage_um=0.0,
    where=where,
)
LIBRARY = Library.shipped()


def facts(kind: str, name: str) -> Mapping[str, Any]:
    return {"length_um": 45000.4, "u_um": 0.6, "reach_um": 45000.4}


def plan(name: str, bench: BenchView = BENCH, **given: Any) -> Plan:
    procedure = LIBRARY[name].procedure
    return dry_run(procedure, parse_inputs(procedure.inputs, given, None), bench, facts, LIBRARY.procedures)


LENS: dict[str, Any] = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "distance_mm": "5 m"}


def test_what_ships() -> None:
    checks = {"flange_check", "next_lens", "shim_proof", "check_lens"}
    calibrations = {"bench_zero", "fixed_zero", "adapter_length", "seat_zero", "two_walls", "joint_study"}
    calibrations |= {"collimator_zero"}
    assert set(LIBRARY) == checks | calibrations | {"glass_toggle", "axis_test", "home_repeat"}
    with pytest.raises(Refused, match="no procedure 'flange_chek'") as refused:
        LIBRARY["flange_chek"]
    assert refused.value.code == "unknown_name"
    assert "flange_check" in refused.value.advice


def test_every_question_has_a_name_that_tells_it_from_the_others() -> None:
    for name, file in LIBRARY.items():
        texts: dict[str, str] = {}
        for _, step in file.procedure.walk():
            if step.verb == "ask":
                assert step.args.name is not None, name
                assert texts.setdefault(step.args.name, step.args.text) == step.args.text


def test_flange_check_goes_where_the_chain_says_and_shows_both_branches() -> None:
    found = plan("flange_check", **LENS)
    assert found.problems == ()
    nominal = 50000.0 + CONJUGATE_UM + GLASS_UM - BASE_UM - RING_UM
    moves = [(one.verb, one.to_um) for one in found.entries if one.to_um is not None and not one.when]
    assert moves == [("home", 0.0), ("nominal", pytest.approx(nominal)), ("sweep", pytest.approx(nominal))]
    assert found.asks == (
        "Adapters and glass as listed, lens seated, ring at infinity, iris open?",
        "Undecided. More readings? [5 more / leave]",
    )
    more = [one for one in found.entries if one.when]
    assert [one.verb for one in more] == ["ask", "sweep", "assess"]
    assert more[1].when == ("if flange verdict.is is undecided", "if more is 5 more")
    assert found.seconds < found.seconds_at_most
    assert found.entries[-1].text == "target_light level 0"


def test_a_sweep_says_over_which_places_it_looks_and_reads() -> None:
    found = plan("flange_check", **LENS).as_json()
    sweep = next(one for one in found["entries"] if one["verb"] == "sweep")
    nominal = 50000.0 + CONJUGATE_UM + GLASS_UM - BASE_UM - RING_UM
    assert sweep["to_um"] == pytest.approx(nominal)
    # A half-width of 35.25 um: two to either side are looked at, one and a half are read.
    assert sweep["pilot_um"] == pytest.approx((nominal - 70.5, nominal + 70.5))
    assert sweep["over_um"] == pytest.approx((nominal - 52.875, nominal + 52.875))
    text = io.StringIO()
    Console(file=text, width=200).print(plan_table(found))
    assert "9302.7 to 9408.5" in text.getvalue()
    assert "a look with 5 from 9285 to 9426 µm; it may look as far as 8584 to 10127 µm" in text.getvalue()


def test_a_sweep_about_an_offset_looks_there_whatever_the_trim() -> None:
    """Nominal has the trim in it, an offset has not."""
    alone = sweep_procedure(SweepOrder(25.0, None, None, "edge", None, 1, "stepped"))
    trimmed = replace(
        BENCH,
        homed=True,
        stale=False,
        where=lambda _: SetupPlaces(OnCarriage(42003.0, 0.0, 9356.0, 5.0), 35.25, trim_um=5.0),
    )
    entry = dry_run(alone, {}, trimmed, facts).entries[0]
    assert (entry.to_um, entry.problem) == (9376.0, None)
    assert entry.pilot_um == pytest.approx((9376.0 - 70.5, 9376.0 + 70.5))


def test_a_look_that_leaves_the_travel_is_told() -> None:
    nominal = 50000.0 + CONJUGATE_UM + GLASS_UM - BASE_UM - RING_UM
    assert plan("flange_check", replace(BENCH, travel_um=(0.0, nominal + 71.0)), **LENS).problems == ()
    told = plan("flange_check", replace(BENCH, travel_um=(0.0, nominal + 60.0)), **LENS).problems
    assert told[0] == "sweep: 9426.1 µm is outside the carriage's limits, 0 to 9416 µm."


BELOW = replace(BENCH, run_up_um=-100.0)


def sweep_of(found: Plan) -> Entry:
    return next(one for one in found.entries if one.verb == "sweep")


def test_a_sweep_reaches_as_far_as_its_search_may_and_its_run_up() -> None:
    nominal = 50000.0 + CONJUGATE_UM + GLASS_UM - BASE_UM - RING_UM
    # The last look begins 600 um away at most, its peak is within 1.5 half-widths (35.25 um), at most twice as wide:
    # three more half-widths are read, a quarter of a step (0.5) for whole steps, and half of one for the shuffle.
    far = 600.0 + (1.5 + 3.0 + 0.125 + 0.25) * 35.25
    assert sweep_of(plan("flange_check", BELOW, **LENS)).reach_um == pytest.approx((nominal - far - 100, nominal + far))
    from_above = replace(BENCH, run_up_um=100.0)
    assert sweep_of(plan("flange_check", from_above, **LENS)).reach_um == pytest.approx(
        (nominal - far, nominal + far + 100)
    )


def test_the_search_is_kept_within_travel_and_clearance_and_refused_by_neither() -> None:
    nominal = 50000.0 + CONJUGATE_UM + GLASS_UM - BASE_UM - RING_UM
    found = plan("flange_check", replace(BELOW, travel_um=(nominal - 200.0, nominal + 100.0)), **LENS)
    assert found.problems == ()
    assert sweep_of(found).reach_um == pytest.approx((nominal - 300.0, nominal + 100.0))

    def near(free_um: float) -> BenchView:
        """Nominal, free_um above the least depth."""
        depth_um = nominal + BASE_UM + RING_UM - free_um
        limit = Clearance(depth_um, 2000.0)
        return replace(
            BELOW, homed=True, carriage_um=nominal, where=lambda changes: replace(where(changes), limit=limit)
        )

    # 70.5 um down to the first look, 100 um of run-up
    found = plan("flange_check", near(170.6), **LENS)
    assert found.problems == ()
    assert sweep_of(found).reach_um == pytest.approx((nominal - 170.6, nominal + 771.84), abs=0.01)
    told = plan("flange_check", near(170.4), **LENS).problems[0]
    assert told.startswith("sweep: Rear element, glass and target would have 2.0 mm between them")
    assert plan("flange_check", near(99.0), **LENS).problems[0].startswith("nominal: Rear element")


def test_a_run_up_below_the_travel_is_no_refusal_and_is_said_where_it_turns() -> None:
    nominal = 50000.0 + CONJUGATE_UM + GLASS_UM - BASE_UM - RING_UM
    at = replace(BELOW, homed=True, carriage_um=nominal + 300.0, travel_um=(nominal - 89.0, 30000.0))
    found = plan("flange_check", at, **LENS)
    assert found.problems == ()
    down = next(one for one in found.entries if one.verb == "nominal")
    assert down.reach_um == pytest.approx((nominal - 100.0, nominal))
    assert down.text == f"where the chain says, by way of {nominal - 100.0:.0f} µm"
    up = next(one for one in plan("flange_check", BELOW, **LENS).entries if one.verb == "nominal")
    assert up.text == "where the chain says", "on the way up the run-up lies on the way"


def unmeasured(changes: Mapping[str, Any]) -> SetupPlaces:
    parts = (changes.get("lens"), tuple(changes.get("adapters") or ()), tuple(changes.get("glass") or ()), None)
    limit = Clearance(None, 2000.0, "Made sure") if parts[0] else Clearance(None, 2000.0)
    return replace(where(changes), limit=limit, parts=parts)


def test_a_rear_nobody_measured_is_asked_about_for_each_set_up_and_as_far_as_it_goes() -> None:
    open_rear = replace(BELOW, where=unmeasured, home_um=-2000.0)
    found = plan("glass_toggle", open_rear, **LENS)
    asked = [one for one in found.entries if one.text == "rear_clear"]
    follows = [place for place, one in enumerate(found.entries) if one in asked]
    assert [found.entries[place + 1].verb for place in follows] == ["home", "setup", "setup"]
    # Named is the depth of the farthest: -2000 um of the way to the switch, or nominal less 771.8 um and the run-up,
    # down to a tenth of a millimetre with 0.01 mm to spare.
    bare = 50000.0 + CONJUGATE_UM - 771.84 - 100.0
    named = [BASE_UM + RING_UM - 2000.0, bare + GLASS_UM, bare]
    for one, nearest_um in zip(asked, named, strict=True):
        depth_um = math.floor((nearest_um - 10.0) / 100.0) * 100.0
        place_um = depth_um - BASE_UM - RING_UM
        assert one.ask is not None
        assert one.ask.startswith(f"Made sure, even with the target only {depth_um / 1000:.1f} mm behind the seat?")
        assert f"may go down to {place_um:.0f} µm on its scale" in one.ask
        assert one.ask in found.asks

    homed = replace(open_rear, homed=True)
    asks = [one.ask for one in plan("flange_check", homed, **LENS).entries if one.text == "rear_clear"]
    assert len(asks) == 1, "nominal and the sweeps about it are one question"


def test_the_question_goes_as_far_below_the_travel_as_the_run_up_that_the_bench_checks() -> None:
    nominal = 50000.0 + CONJUGATE_UM + GLASS_UM - BASE_UM - RING_UM
    at = replace(BELOW, where=unmeasured, homed=True, carriage_um=nominal + 300.0, travel_um=(nominal - 5.0, 30000.0))
    (asked,) = [one.ask for one in plan("flange_check", at, **LENS).entries if one.text == "rear_clear"]
    named = re.search(r"down to (\d+) µm", asked or "")
    assert named is not None
    assert float(named[1]) < nominal - 100.0


def test_what_was_seen_is_not_asked_again_unless_nearer_or_of_other_parts() -> None:
    nominal_depth = 50000.0 + CONJUGATE_UM + GLASS_UM
    parts = ("L-0417", ("ring-07",), ("pane-25",), None)

    def asked(seen: Mapping[Any, float]) -> int:
        bench = replace(BELOW, where=unmeasured, homed=True, rear_confirmed_um=seen)
        return len([one for one in plan("flange_check", bench, **LENS).entries if one.text == "rear_clear"])

    assert asked({parts: nominal_depth - 900.0}) == 0
    assert asked({parts: nominal_depth - 500.0}) == 1, "the search goes nearer"
    assert asked({("L-0417", ("ring-07",), (), None): 0.0}) == 1


def test_what_a_lens_on_the_bench_would_have_refused_is_foreseen_before_anything_moves(tmp_path: Path) -> None:
    """Homing goes below the travel; a change keeps the carriage where it stands. Both by what records say."""

    def fitted(changes: Mapping[str, Any]) -> SetupPlaces:
        lens = changes.get("lens", "L-0417")
        limit = Clearance(BASE_UM - 1000.0 if lens == "L-0417" else BASE_UM + 9000.0 if lens else None, 2000.0)
        return SetupPlaces(OnCarriage(BASE_UM, 0.0, 26000.0), half_width_um=35.25, limit=limit)

    def gone_through(steps: str, bench: BenchView) -> Plan:
        text = f"procedure: tries\ntitle: Tries\nneeds: {{roles: [carriage]}}\nsteps:\n{steps}"
        path = tmp_path / "tries.yaml"
        path.write_text(text)
        return dry_run(read_procedure(path).procedure, {}, bench, facts)

    off = replace(BENCH, where=fitted, home_um=-2000.0)
    refused = gone_through("  - home: {axes: [carriage]}\n", off)
    with pytest.raises(Refused, match=r"way to the home switch.*Take lens and glass off") as caught:
        refused.require_possible()
    assert caught.value.code == "clearance"
    bare_first = "  - setup: {lens: null}\n  - home: {axes: [carriage]}\n"
    assert gone_through(bare_first, off).problems == ()

    other = "  - setup: {lens: L-0500}\n"
    on = replace(off, homed=True, carriage_um=8000.0)
    with pytest.raises(Refused, match="setup: Rear element") as caught:
        gone_through(other, on).require_possible()
    assert caught.value.code == "clearance"
    assert gone_through(other, replace(on, carriage_um=9500.0)).problems == ()
    assert gone_through(other, off).problems == (), "nobody knows where it stands"


def test_an_approach_from_the_other_side_takes_its_run_up() -> None:
    below = replace(BENCH, run_up_um=-100.0)
    direct = below.move_s(500.0)
    assert below.approach_s(1000.0, 1500.0) == pytest.approx(direct)
    # Down 500 and 100 more, without settling, then up 100.
    run_up = 2.0 * math.sqrt(600.0 / 20000.0) + below.move_s(100.0)
    assert below.approach_s(1500.0, 1000.0) == pytest.approx(run_up)
    above = replace(BENCH, run_up_um=100.0)
    assert above.approach_s(1500.0, 1000.0) == pytest.approx(direct)
    assert above.approach_s(1000.0, 1500.0) == pytest.approx(run_up)
    assert BENCH.approach_s(1500.0, 1000.0) == pytest.approx(direct), "no play, no run-up"


def test_the_longest_search_is_in_the_longest_time_only() -> None:
    found = plan("flange_check", **LENS, repeats=4)
    (sweep,) = [one for one in found.entries if one.verb == "sweep" and not one.when]
    # Another look of 5, four pilots of 11, and one over 1200 um in steps of at most 2.4 x 35.25: 16 places.
    slower = plan("flange_check", replace(BENCH, detector_for=points_of(1.1)), **LENS, repeats=4)
    (slow,) = [one for one in slower.entries if one.verb == "sweep" and not one.when]
    assert slow.seconds_more - sweep.seconds_more == pytest.approx(5 + 4 * 11 + 16)
    unsure = sum(one.seconds_more for one in found.entries)
    assert found.seconds_at_most == pytest.approx(sum(one.seconds for one in found.entries) + unsure)


def test_a_detector_that_tells_no_blur_looks_far_about_each_time() -> None:
    (sure,), (looking,) = (
        [one for one in plan("flange_check", bench, **LENS).entries if one.verb == "sweep" and not one.when]
        for bench in (BENCH, replace(BENCH, detector_for=points_of(0.1, tells_blur=False)))
    )
    # 16 places 80 um apart: a move in a triangle of speed, settling, a point.
    wide = 16 * 0.1 + 15 * (2.0 * math.sqrt(80.0 / 20000.0) + 0.15)
    # It begins with a pilot of 11, half a half-width apart, and not with a look of 5.
    pilot = 11 * 0.1 + 10 * BENCH.move_s(17.625)
    look = 5 * 0.1 + 4 * BENCH.move_s(35.25)
    farther = BENCH.move_s(88.125) - BENCH.move_s(70.5)
    assert looking.seconds - sure.seconds == pytest.approx(wide + pilot - look + farther)
    assert sure.seconds_more - looking.seconds_more == pytest.approx(wide + look + pilot)


def test_a_sweep_is_as_wide_as_the_frequency_of_its_detector_asks_for() -> None:
    for bench, wider in ((BENCH, 1.0), (replace(BENCH, detector_for=points_of(0.1, lp_mm=20.0)), 2.0)):
        (sweep,) = [one for one in plan("flange_check", bench, **LENS).entries if one.verb == "sweep" and not one.when]
        assert sweep.pilot_um is not None
        assert sweep.pilot_um[1] - sweep.pilot_um[0] == pytest.approx(wider * 4.0 * 35.25)


def test_durations_are_those_of_the_motion_profile() -> None:
    # Trapezoid: distance over top speed, plus top speed over acceleration; triangle: twice the root of d over a.
    assert BENCH.move_s(8000.0) == pytest.approx(2.0 + 0.2 + 0.15)
    assert BENCH.move_s(-200.0) == pytest.approx(0.2 + 0.15)
    assert BENCH.move_s(0.0) == 0.0
    ramp = 4000.0**2 / 20000.0
    assert BENCH.move_s(ramp - 1e-6) == pytest.approx(BENCH.move_s(ramp + 1e-6), abs=1e-6)
    found = plan("flange_check", **LENS)
    nominal = next(one for one in found.entries if one.verb == "nominal")
    assert nominal.seconds == pytest.approx(9355.6 / 4000.0 + 0.2 + 0.15)
    # One second more a point is as many seconds as there are points: 5 of the first look, 13 a repeat.
    slower = plan("flange_check", replace(BENCH, detector_for=points_of(1.1)), **LENS, repeats=4)
    quicker = plan("flange_check", **LENS, repeats=4)
    assert slower.seconds - quicker.seconds == pytest.approx(5 + 4 * 13)


def test_bench_zero_asks_in_every_turn_and_stays_inside_travel() -> None:
    found = plan("bench_zero", reference="collar-45", remounts=5)
    assert found.problems == ()
    depths = [one.to_um for one in found.entries if one.verb == "move" and "depth_um" in one.text]
    assert depths == [pytest.approx(45000.4 - BASE_UM)] * 11
    assert len(found.asks) == 1 + 5 * 3 + 1
    assert found.asks[1].endswith("let down on it? (collar-45)")
    reads = [one.text for one in found.entries if one.verb == "read"]
    against = "indicator as moved, held against set_on_base"
    each = ["indicator as let_down_on_ring", "indicator as set_on_base", against, "indicator as on_base"]
    assert reads == each * 5
    assert found.entries[-1].when == ("if accept is true",)


def test_adapter_length_meets_the_same_depth_from_both_seats() -> None:
    found = plan("adapter_length", adapter="ring-07", rounds=5)
    assert found.problems == ()
    places = [one.to_um for one in found.entries if one.verb == "move" and "depth_um" in one.text]
    base, adapter = pytest.approx(45000.0 - BASE_UM), pytest.approx(45000.0 - BASE_UM - RING_UM)
    assert places == [base, adapter, adapter, base] * 5


def test_glass_toggle_follows_the_plate_without_with_with_without() -> None:
    found = plan("glass_toggle", **LENS)
    assert found.problems == ()
    sweeps = [one.to_um for one in found.entries if one.verb == "sweep"]
    bare = 50000.0 + CONJUGATE_UM - BASE_UM - RING_UM
    assert sweeps == [pytest.approx(bare + shift) for shift in (0.0, GLASS_UM, GLASS_UM, 0.0)]
    # Room is made before the plate goes in, and the plate is out before the carriage comes back.
    # It is dark while hands are in.
    order = [one.verb for one in found.entries[5:17]]
    assert order == [
        "sweep", "setup", "light", "ask", "light", "sweep", "sweep", "light", "ask", "setup", "light", "sweep",
    ]  # fmt: skip


def test_a_place_outside_the_travel_is_told_before_anything_moves() -> None:
    found = plan("flange_check", replace(BENCH, travel_um=(0.0, 9000.0)), **LENS)
    assert found.problems[0] == "nominal: 9355.6 µm is outside the carriage's limits, 0 to 9000 µm."
    with pytest.raises(Refused, match="outside the carriage's limits") as refused:
        found.require_possible()
    assert refused.value.code == "limit"


def test_a_set_up_that_would_be_refused_is_told_in_its_own_words() -> None:
    found = plan("flange_check", **{**LENS, "glass": ["wide-99"]})
    assert found.problems[0].startswith("setup: Rear element, glass and target would have 1.2 mm")
    with pytest.raises(Refused) as refused:
        found.require_possible()
    assert refused.value.code == "clearance"


def test_what_the_bench_lacks_refuses_the_run(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="indicator") as refused:
        plan("bench_zero", replace(BENCH, devices={"carriage"}), reference="collar-45")
    assert refused.value.code == "bad_request"
    path = tmp_path / "p.yaml"
    path.write_text("procedure: p\ntitle: t\nneeds: {calibrations: [bench-zero]}\nsteps: [{wait: {for_s: 1}}]\n")
    procedure = read_procedure(path).procedure
    with pytest.raises(Refused, match="bench-zero") as refused:
        dry_run(procedure, {}, BENCH, facts)
    assert refused.value.code == "uncalibrated"
    calibrated = replace(BENCH, calibrations={"bench-zero"})
    assert dry_run(procedure, {}, calibrated, facts).seconds == 1.0


OTHERS = """
procedure: others
title: Loops, answers and calls
needs: {roles: [carriage, target_light, detector, indicator]}
inputs:
  adapters: {type: list, of: adapter, min: 1}
  lens: {type: lens}
steps:
  - home: {}
  - ask: {kind: number, text: "How deep?", unit: um, save: depth}
  - move: {depth_um: "${depth}"}
  - repeat: 2
    steps:
      - for: {each: adapter, in: "${adapters}"}
        steps:
          - call: {procedure: adapter_length, inputs: {adapter: "${adapter}", rounds: 5}}
  - if: {answer: depth, above: 5}
    then: [{wait: {for_s: 3}}]
    else: [{wait: {for_s: 5}}]
"""


def test_loops_are_written_out_calls_gone_into_and_what_hangs_on_an_answer_is_said(tmp_path: Path) -> None:
    path = tmp_path / "p.yaml"
    path.write_text(OTHERS)
    procedure = read_procedure(path).procedure
    values = {"adapters": ["ring-07", "gap-03"], "lens": "L-0417"}
    found = dry_run(procedure, values, BENCH, facts, LIBRARY.procedures)
    assert found.entries[2].text == "carriage depth_um ${depth}; where that is depends on the answer depth"
    assert [one.text for one in found.entries if one.verb == "assess"] == [
        f"adapter_length of {name}" for name in ("ring-07", "gap-03") * 2
    ]
    waits = [(one.when, one.seconds) for one in found.entries if one.verb == "wait"]
    assert waits == [(("if depth above 5.0",), 3.0), (("if not depth above 5.0",), 5.0)]
    assert found.as_json()["entries"][0]["verb"] == "home"


def test_questions_of_a_loop_are_listed_with_their_rounds() -> None:
    asks = plan("bench_zero", reference="collar-45", remounts=5).asks
    assert asks[1].startswith("Round 1 of 5: Bridge with the indicator on the setting ring")
    assert sum(ask.startswith("Round 5 of 5: ") for ask in asks) == 3
    assert asks[0].startswith("Lens, adapters, glass")


def test_a_light_that_goes_dark_by_itself_takes_the_run_no_time(tmp_path: Path) -> None:
    """600 s were foreseen for `for_s: 600`, and the step took 0.2 s."""
    path = tmp_path / "p.yaml"
    path.write_text("procedure: p\ntitle: t\nsteps: [{light: {level: 0.4, for_s: 600}}]\n")
    found = dry_run(read_procedure(path).procedure, {}, BENCH, facts)
    assert found.seconds == 0.0
    assert found.entries[0].text == "target_light level 0.4, dark again after 600 s"


def test_what_is_no_calibration_and_a_sweep_without_a_lens_are_told_ahead(tmp_path: Path) -> None:
    """`accept` of a flange and a sweep of nothing went through a dry run, and ended the run at that step."""
    path = tmp_path / "p.yaml"
    path.write_text(
        "procedure: p\ntitle: t\nsteps: [{sweep: {}}, {assess: {name: flange}}, {accept: {finding: flange}}]\n"
    )
    bare = replace(BENCH, homed=True, stale=False, where=lambda _: SetupPlaces(OnCarriage(24000.0)))
    found = dry_run(read_procedure(path).procedure, {}, bare, facts)
    assert found.problems == (
        "sweep: There is no lens in the set-up.",
        "accept: A finding of flange calibrates nothing.",
    )
    with pytest.raises(Refused) as refused:
        found.require_possible()
    assert refused.value.code == "bad_request"


STUDY: dict[str, Any] = {"lenses": ["L-0417", "L-0418"], "people": ["Ann", "Ben"], "distance_mm": "5 m"}


def test_a_study_of_joints_asks_for_each_seating_by_lens_and_person() -> None:
    found = plan("joint_study", **STUDY, adapters=["ring-07"])
    assert found.problems == ()
    assert len(found.asks) == 3 * 2 * 2 + 1
    assert "Round 2 of 3, 1 of 2, 2 of 2: Whatever lens stands there off, this one seated by Ann" in found.asks[5]
    assert "(L-0418)" in found.asks[5]
    lit = [one for one in found.entries if one.verb in ("light", "ask")]
    before = [earlier.text for earlier, one in pairwise(lit) if one.verb == "ask"]
    assert before == ["target_light level 0"] * 12, "hands go in where it is dark"


@pytest.mark.parametrize(
    ("given", "repeats", "times"),
    [({"lenses": ["L-0417"], "people": ["Ann"]}, 2, 6), ({"people": ["Ann"]}, 4, 4), ({"trials": 2}, 4, 3)],
)
def test_a_study_that_repeats_too_little_is_told_ahead(given: dict[str, Any], repeats: int, times: int) -> None:
    found = plan("joint_study", **(STUDY | given))
    (problem,) = found.problems
    assert f"{repeats} repeat another of the same lens by the same person" in problem
    with pytest.raises(Refused) as refused:
        found.require_possible()
    assert f"each person seat each lens {times} times" in refused.value.advice


@pytest.mark.parametrize(
    ("by", "told"), [("{ask: {kind: yes_no, text: t, save: who}}, ", []), ("", ["assess: Of 6 sweeps 4 repeat"])]
)
def test_who_seats_may_hang_on_an_answer(tmp_path: Path, by: str, told: list[str]) -> None:
    """What is not known yet may be enough."""
    path = tmp_path / "p.yaml"
    seat = "{reseated: {by: Ann}}, {sweep: {}}"
    either = "{if: {answer: who, is: true}, then: [{reseated: {by: Ann}}], else: [{reseated: {by: Ben}}]}"
    last = f"{either if by else '{reseated: {by: Ben}}'}, {{sweep: {{}}}}"
    steps = f"{by}{{repeat: 5, steps: [{seat}]}}, {last}"
    path.write_text(f"procedure: p\ntitle: t\nsteps: [{steps}, {{assess: {{name: joint_study}}}}]\n")
    stands = replace(BENCH, homed=True, stale=False, carriage_um=9000.0, where=_stands)
    found = dry_run(read_procedure(path).procedure, {}, stands, facts)
    assert [one[:28] for one in found.problems if one.startswith("assess")] == told


S, F, G = "{sweep: {}}", "{assess: {name: flange}}", "{assess: {name: glass_toggle}}"
TRIM, SAME, ASK = (
    "{setup: {trim_um: 5}}",
    "{setup: {adapters: [ring-07]}}",
    "{ask: {kind: yes_no, text: t, save: more}}",
)
NONE_HERE = "assess: This run holds no sweep at the set-up in force."


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        ([F], [NONE_HERE]),
        ([S, F, S, F], []),
        ([S, TRIM, F], [NONE_HERE]),
        ([S, SAME, F], []),
        (["{repeat: 2, steps: [" + S + "]}", F], []),
        ([ASK, "{if: {answer: more, is: true}, then: [" + S + "]}", F], []),
        ([ASK, "{if: {answer: more, is: true}, then: [" + S + "]}", TRIM, F], [NONE_HERE]),
        ([S, S, S, G], ["assess: This run holds 3 sweeps; glass_toggle takes 4."]),
        ([S, TRIM, S, S, S, G], []),
    ],
)
def test_an_assessment_before_its_sweeps_is_told_ahead(tmp_path: Path, steps: list[str], told: list[str]) -> None:
    """It went through a dry run and ended the run, `This run holds no sweep`; what hangs on an answer is left open."""
    path = tmp_path / "p.yaml"
    path.write_text(f"procedure: p\ntitle: t\nsteps: [{', '.join(steps)}]\n")
    stands = replace(BENCH, homed=True, stale=False, carriage_um=9000.0, where=_stands)
    found = dry_run(read_procedure(path).procedure, {}, stands, facts)
    assert [one for one in found.problems if one.startswith("assess")] == told


def _stands(changes: Mapping[str, Any]) -> SetupPlaces:
    return where({"lens": "L-0417", "adapters": ["ring-07"], "trim_um": 0.0, **changes})


def test_a_plan_without_an_end_in_sight_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "p.yaml"
    inner = "- repeat: 1000\n        steps:\n          - wait: {for_s: 1}"
    path.write_text(f"procedure: p\ntitle: t\nsteps:\n  - repeat: 1000\n    steps:\n      {inner}\n")
    with pytest.raises(Refused, match="more than 5000 steps"):
        dry_run(read_procedure(path).procedure, {}, BENCH, facts)
