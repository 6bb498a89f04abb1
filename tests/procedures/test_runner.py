"""A run on a bench of fakes: started, paused, resumed, stopped, aborted, failed, at every moment that there is.

After each test no motion may have been asked for by a run that said it was paused, or asked a question (`fake_bench`).
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Sequence
from contextlib import suppress
from pathlib import Path

import pytest

from benchd.bench.sweep.sweep_data import SweepOrder
from benchd.errors import BenchdError, Refused
from benchd.files.loading import LoadedBench
from benchd.procedures.library import Library
from benchd.procedures.run_states import OVER
from benchd.records.values import ReadingRow
from tests.fakes.bench import STANDS, USER, FakeBench, fake_bench, library

FAR_UM, OUT_UM, NEAR_UM = 25_000.0, 20_000.0, 1_000.0
RUN_UP_UM = 100.0
PROCEDURES = {
    "far_and_back": """
steps:
  - light: {level: 0.4}
  - move: {carriage_um: 25000}
finally:
  - move: {carriage_um: 1000}
  - light: {level: 0}
""",
    "waits_out_there": """
steps:
  - light: {level: 0.4}
  - move: {carriage_um: 20000}
  - wait: {for_s: 10}
  - read: {device: position, as: there}
finally:
  - light: {level: 0}
""",
    "waits_out_there_and_ends_near": """
steps:
  - light: {level: 0.4}
  - move: {carriage_um: 20000}
  - wait: {for_s: 10}
finally:
  - move: {carriage_um: 1000}
  - light: {level: 0}
""",
    "asks_out_there": """
steps:
  - light: {level: 0.4}
  - move: {carriage_um: 20000}
  - ask: {name: hands, kind: yes_no, text: "Hands in?"}
  - move: {carriage_um: 25000}
finally:
  - home: {axes: [carriage]}
  - move: {carriage_um: 1000}
  - light: {level: 0}
""",
    "ends_far_away": """
steps:
  - light: {level: 0.4}
finally:
  - move: {carriage_um: 25000}
  - repeat: 2
    steps:
      - move: {carriage_um: 1000}
      - light: {level: 0}
""",
    "homes": """
steps:
  - light: {level: 0.4}
  - home: {axes: [carriage]}
finally:
  - home: {axes: [carriage]}
  - light: {level: 0}
""",
    "waits_then_homes": """
steps:
  - wait: {for_s: 5}
  - home: {axes: [carriage]}
  - nominal: {}
""",
    "by_steps": """
steps:
  - move: {carriage_um: 20000}
  - move: {by_um: 5000}
""",
    "lit": """
steps:
  - light: {level: 0.4}
  - ask: {name: well, kind: yes_no, text: "Well?", save: well}
  - if: {answer: well, is: false}
    then: [move: {carriage_um: 99999}]
finally:
  - light: {level: 0}
""",
    "back_at_nominal": "steps: [move: {carriage_um: 20000}, nominal: {}, wait: {for_s: 10}, wait: {for_s: 0}]",
    "ends_calling": "steps: [wait: {for_s: 1}]\nfinally: [call: {procedure: lit}]",
    "weighs": """
steps:
  - wait: {for_s: 1}
  - ask: {name: fail, kind: yes_no, text: "Fail?", save: fail}
  - if: {answer: fail, is: true}
    then: [move: {carriage_um: 99999}]
  - wait: {for_s: 3}
finally:
  - light: {level: 0}
""",
    "calls": "steps: [call: {procedure: lit}, ask: {name: after, kind: confirm, text: 'Seen?'}]",
    "flickers": """
steps:
  - repeat: 20
    steps:
      - light: {level: 0.4}
      - light: {level: 0.2}
finally:
  - light: {level: 0}
""",
}


@pytest.fixture(scope="module")
def procedures(tmp_path_factory: pytest.TempPathFactory) -> Library:
    return library(tmp_path_factory.mktemp("procedures"), PROCEDURES)


@pytest.fixture
async def made(tmp_path: Path, wall: LoadedBench, procedures: Library) -> AsyncIterator[FakeBench]:
    """Homed, with a lens, at nominal; nothing of that is remembered."""
    async with fake_bench(tmp_path, wall, procedures) as made:
        await made.ready()
        await made.clock.sleep(1.0)
        made.axis.asked.clear()
        made.told.clear()
        yield made


def stands(made: FakeBench, um: float) -> bool:
    return not made.axis.moving and made.axis.carriage_um == pytest.approx(um, abs=1.0)


async def in_step(made: FakeBench, step: int) -> None:
    """Once the run has come to this step of its own, counted from 1."""
    await made.until(lambda: made.doc["step"] == step)


async def paused_out_there(made: FakeBench, procedure: str = "waits_out_there") -> str:
    """A run that was paused while it waited 20 mm out, and waits at its gate."""
    run = await made.run(procedure)
    await in_step(made, 3)
    made.runner.pause(run, USER)
    await made.clock.sleep(11.0)
    return run


# Start and end


async def test_a_run_is_carried_out_and_its_end_told_and_kept(made: FakeBench) -> None:
    run = await made.run("far_and_back")
    assert made.state == "running"
    assert await made.ended(run) == "done"
    assert made.moves_um == pytest.approx([FAR_UM, NEAR_UM - RUN_UP_UM, NEAR_UM])
    assert made.states(run) == ["running", "done"]
    assert made.lamp.set_to == [0.4, 0.0]
    (event,) = made.events("done")
    assert (event["text"], event["cause"]) == (f"Run {run} (far_and_back) is done.", "c-1")
    made.bench.jobs.check_free()


async def test_of_two_that_are_started_at_once_one_is_refused(made: FakeBench) -> None:
    first, second = await asyncio.gather(made.run("far_and_back"), made.run("homes"), return_exceptions=True)
    assert isinstance(first, str)
    assert isinstance(second, Refused)
    assert second.code == "busy"
    assert await made.ended(first) == "done"
    assert None not in made.moves_um


async def test_what_is_busy_says_what_makes_it_free(made: FakeBench) -> None:
    run = await made.run("asks_out_there")
    for state, advice in (("running", "Wait until it has ended"), ("asking", "Answer its question")):
        await made.said(state)
        with pytest.raises(Refused, match=f"busy with run {run}, which is {state}") as caught:
            made.bench.jobs.check_free()
        assert caught.value.advice.startswith(advice)
        assert caught.value.data == {"doing": "run", "run": run, "state": state}
    await made.runner.stop("wall")
    with pytest.raises(Refused, match="which is paused") as caught:
        made.bench.jobs.check_free()
    assert caught.value.advice == "Resume or abort it.", "a stop has paused it, and no waiting will end it"


@pytest.mark.parametrize("turns", range(0, 40, 3))
async def test_a_stop_before_a_run_has_begun_ends_it_before_anything_moves(made: FakeBench, turns: int) -> None:
    starting = asyncio.create_task(made.run("far_and_back"))
    for _ in range(turns):
        await asyncio.sleep(0)
    begun = made.state == "running"
    await made.runner.stop("wall")
    if begun:
        assert made.state == "paused"
        return
    with pytest.raises(Refused, match=r"A stop came before r-0001 had begun"):
        await starting
    await made.clock.sleep(10.0)
    assert made.moves_um == []
    assert (await made.bench.store.run("r-0001")).state == "failed"
    made.bench.jobs.check_free()


# Pause and resume


async def test_a_pause_lets_the_motion_under_way_end_and_then_nothing_moves(made: FakeBench) -> None:
    """Paused in its last step it said so at once, drove on to the end of the step, and then through its `finally`."""
    run = await made.run("far_and_back")
    await made.beyond(12_000.0)
    made.runner.pause(run, "wall")
    assert made.state == "running", "the carriage moves"
    await made.said("paused")
    assert stands(made, FAR_UM)
    await made.clock.sleep(10.0)
    assert stands(made, FAR_UM)
    assert (made.state, made.lamp.now) == ("paused", 0.4)
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    assert stands(made, NEAR_UM)
    assert made.states(run) == ["running", "paused", "running", "done"]


async def test_a_resume_goes_to_nominal_and_then_to_where_the_run_had_moved(made: FakeBench) -> None:
    nominal_um = made.bench.nominal_target()
    run = await paused_out_there(made)
    assert made.state == "paused"
    assert made.moves_um == [OUT_UM]
    made.runner.resume(run, USER)
    assert made.state == "running", "who reads 'paused' puts a hand in"
    assert await made.ended(run) == "done"
    assert made.moves_um == pytest.approx([OUT_UM, nominal_um - RUN_UP_UM, nominal_um, OUT_UM])
    (reading,) = await made.bench.store.readings(run)
    assert reading.carriage_um == pytest.approx(OUT_UM, abs=1.0)
    assert [event["text"] for event in made.events("resumed")] == [f"{run} was resumed by {USER}."]


async def test_a_run_that_had_gone_on_to_nominal_is_resumed_there(made: FakeBench) -> None:
    run = await made.run("back_at_nominal")
    await in_step(made, 3)
    driven = len(made.moves_um)
    made.runner.pause(run, USER)
    await made.clock.sleep(11.0)
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    nominal_um = made.bench.nominal_target()
    assert made.moves_um[driven:] == pytest.approx([nominal_um - RUN_UP_UM, nominal_um])


async def test_a_run_whose_step_still_goes_on_is_driven_back_once_that_has_ended(made: FakeBench) -> None:
    run = await made.run("waits_out_there")
    await in_step(made, 3)
    waits_until_s = made.clock.monotonic() + 9.0
    made.runner.pause(run, USER)
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    assert made.axis.asked[1].at_s > waits_until_s


async def test_a_run_that_is_resumed_twice_goes_back_once(made: FakeBench) -> None:
    run = await paused_out_there(made)
    made.runner.resume(run, USER)
    await made.until(lambda: made.axis.moving)
    made.runner.resume(run, "wall")
    assert await made.ended(run) == "done"
    assert len(made.moves_um) == 4


@pytest.mark.parametrize("how", ["pause", "stop"])
@pytest.mark.parametrize("again_s", [0.0, 0.05, 5.0])
async def test_who_stops_it_on_its_way_back_has_it_stand_until_it_is_resumed_again(
    made: FakeBench, how: str, again_s: float
) -> None:
    made.axis.stop_takes_s = 0.2
    run = await paused_out_there(made)
    made.runner.resume(run, USER)
    await made.until(lambda: made.axis.moving and made.axis.carriage_um < OUT_UM - 2000.0)
    if how == "stop":
        await made.runner.stop("wall")
    else:
        made.runner.pause(run, "wall")
    assert made.state == "paused"
    await made.clock.sleep(again_s)
    if again_s > made.axis.stop_takes_s:
        assert not made.axis.moving
        assert made.axis.carriage_um > made.bench.nominal_target() + 2000.0
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    assert stands(made, OUT_UM)


@pytest.mark.parametrize("after_s", [0.01, 0.05, 0.1])
async def test_an_abort_while_it_settles_on_its_way_back_knows_where_it_stands(made: FakeBench, after_s: float) -> None:
    """Cancelled twice, its coming to rest was broken off, and creeping was not looked for any more."""
    run = await paused_out_there(made)
    made.runner.resume(run, USER)
    await made.until(lambda: made.axis.moving)
    await made.until(lambda: not made.axis.moving)
    await made.clock.sleep(after_s)
    await made.runner.abort(run, "wall")
    assert await made.ended(run) == "aborted"
    assert made.bench.trust.homed
    assert made.bench.carriage._following_error.rest_um is not None


async def test_an_abort_waits_for_every_way_back_to_come_to_rest(made: FakeBench) -> None:
    """Paused while it drives back, resumed and aborted at once: the end of the run drove into the first, which still
    slowed down."""
    made.axis.stop_takes_s = 0.5
    run = await paused_out_there(made, "waits_out_there_and_ends_near")
    made.runner.resume(run, USER)
    await made.until(lambda: made.axis.moving and made.axis.carriage_um < OUT_UM - 2000.0)
    made.runner.pause(run, "wall")
    made.runner.resume(run, USER)
    await asyncio.sleep(0)
    await made.runner.abort(run, "wall")
    assert await made.ended(run) == "aborted"
    assert made.bench.trust.homed
    assert stands(made, 1000.0)


@pytest.mark.parametrize("how", ["pause", "stop", "abort"])
@pytest.mark.parametrize("turns", range(8))
async def test_who_stops_it_in_the_turn_in_which_it_is_about_to_go_back_has_it_stand(
    made: FakeBench, how: str, turns: int
) -> None:
    """The motion had been handed on and not begun: it began after the run had said that it was paused."""
    run = await paused_out_there(made)
    made.runner.resume(run, USER)
    for _ in range(turns):
        await asyncio.sleep(0)
    driven = len(made.moves_um)
    match how:
        case "pause":
            made.runner.pause(run, "wall")
        case "stop":
            await made.runner.stop("wall")
        case _:
            await made.runner.abort(run, "wall")
    await made.clock.sleep(10.0)
    assert len(made.moves_um) == driven


async def test_on_a_place_that_is_not_trusted_nobody_resumes(made: FakeBench) -> None:
    run = await paused_out_there(made)
    made.axis.push(500.0)
    made.bench.trust.lose("stall", "it was pushed")
    with pytest.raises(Refused) as caught:
        made.runner.resume(run, USER)
    assert caught.value.code == "not_homed"
    assert made.moves_um == [OUT_UM]


async def test_a_run_that_has_not_come_to_its_homing_yet_is_resumed_without_a_place(
    tmp_path: Path, wall: LoadedBench, procedures: Library
) -> None:
    async with fake_bench(tmp_path, wall, procedures) as made:
        await made.bench.setup.change(STANDS)
        run = await made.run("waits_then_homes")
        await made.clock.sleep(1.0)
        made.runner.pause(run, USER)
        await made.clock.sleep(10.0)
        assert (made.state, made.moves_um) == ("paused", [])
        made.runner.resume(run, USER)
        assert await made.ended(run) == "done"
        assert made.moves_um[0] is None, "it had nowhere to go back to"


# Stop


async def test_a_stop_pauses_the_run_there_and_then(made: FakeBench) -> None:
    run = await made.run("far_and_back")
    await made.beyond(12_000.0)
    await made.runner.stop("wall")
    assert (made.state, made.axis.moving) == ("paused", False)
    stood_um = made.axis.carriage_um
    await made.clock.sleep(10.0)
    assert made.axis.carriage_um == stood_um < 13_000.0
    assert "Stopped by wall." in [event["text"] for event in made.events("stopped")]
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    nominal_um = made.bench.nominal_target()
    assert made.moves_um == pytest.approx(
        [FAR_UM, nominal_um - RUN_UP_UM, nominal_um, FAR_UM, NEAR_UM - RUN_UP_UM, NEAR_UM]
    ), "to nominal, and the step that was stopped is begun again"


async def test_a_step_that_was_stopped_is_not_counted_twice(made: FakeBench) -> None:
    run = await made.run("by_steps")
    await made.beyond(OUT_UM + 2000.0)
    await made.runner.stop("wall")
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    assert stands(made, FAR_UM)


@pytest.mark.parametrize("after_s", [0.001 * n for n in range(8)])
async def test_a_stop_while_a_light_is_on_its_way_pauses_the_run_as_any_other(made: FakeBench, after_s: float) -> None:
    """It had failed: 'the level was not set, and will not be: a stop came first'."""
    run = await made.run("flickers")
    await made.clock.sleep(after_s)
    made.lamp.refuses = 1
    await made.runner.stop("wall")
    made.lamp.refuses = 0
    assert made.state == "paused"
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    assert made.lamp.now == 0.0


async def test_a_light_that_is_refused_without_a_stop_fails_the_run(made: FakeBench) -> None:
    made.lamp.refuses = 1
    run = await made.run("far_and_back")
    assert await made.ended(run) == "failed"


async def test_a_stop_in_homing_ends_the_run_for_good(made: FakeBench) -> None:
    await made.bench.setup.change({"lens": None, "adapters": [], "glass": []})
    run = await made.run("homes")
    await made.until(lambda: made.axis.moving)
    await made.clock.sleep(0.5)
    await made.runner.stop("wall")
    assert await made.ended(run) == "failed"
    assert "paused" not in made.states(run), "nobody could have resumed it"
    assert f"Run {run} (homes) was stopped by wall." in [event["text"] for event in made.events("stopped")]
    assert (made.moves_um, made.lamp.now) == ([None], 0.0)


async def test_a_stop_with_no_run_under_way_ends_what_is(made: FakeBench) -> None:
    made.bench.jobs.start("move", lambda: made.bench.move_carriage(FAR_UM))
    await made.beyond(12_000.0)
    await made.runner.stop("wall")
    made.bench.jobs.check_free()
    await made.clock.sleep(1.0)
    assert "'move' was stopped by wall." in [event["text"] for event in made.events("stopped")]
    assert (made.state, made.axis.moving) == ("idle", False)


# Abort


async def test_an_abort_ends_where_the_procedure_says(made: FakeBench) -> None:
    run = await made.run("far_and_back")
    await made.beyond(12_000.0)
    await made.runner.abort(run, "wall")
    assert made.state == "aborting"
    assert await made.ended(run) == "aborted"
    assert made.moves_um == pytest.approx([FAR_UM, NEAR_UM - RUN_UP_UM, NEAR_UM])
    assert f"Run {run} (far_and_back) was aborted by wall." in [event["text"] for event in made.events("stopped")]
    assert made.lamp.now == 0.0


@pytest.mark.parametrize("stopped", [False, True])
async def test_who_had_stopped_it_wants_it_to_stand_at_its_end_as_well(made: FakeBench, stopped: bool) -> None:
    run = await made.run("far_and_back")
    await made.beyond(12_000.0)
    if stopped:
        await made.runner.stop("wall")
    else:
        made.runner.pause(run, "wall")
    await made.said("paused")
    driven = len(made.moves_um)
    await made.runner.abort(run, USER)
    assert await made.ended(run) == "aborted"
    assert len(made.moves_um) == driven + (0 if stopped else 2)
    assert made.lamp.now == 0.0


@pytest.mark.parametrize("after_s", [0.0, 0.001, 0.05, 0.2, 3.0])
async def test_a_stop_after_an_abort_is_the_last_motion(made: FakeBench, after_s: float) -> None:
    run = await made.run("far_and_back")
    await made.beyond(12_000.0)
    aborting = asyncio.create_task(made.runner.abort(run, USER))
    await made.clock.sleep(after_s)
    await made.runner.stop("wall")
    stood_um, driven = made.axis.carriage_um, len(made.moves_um)
    await aborting
    assert await made.ended(run) == "aborted"
    await made.clock.sleep(5.0)
    assert (made.axis.carriage_um, len(made.moves_um), made.lamp.now) == (stood_um, driven, 0.0)


async def test_who_aborts_twice_is_not_refused_and_the_first_is_named(made: FakeBench) -> None:
    run = await made.run("far_and_back")
    await made.beyond(12_000.0)
    await made.runner.abort(run, USER)
    await made.runner.abort(run, "wall")
    assert await made.ended(run) == "aborted"
    assert f"Run {run} (far_and_back) was aborted by {USER}." in [event["text"] for event in made.events("stopped")]
    with pytest.raises(Refused) as caught:
        await made.runner.abort(run, USER)
    assert caught.value.code == "unknown_name"


@pytest.mark.parametrize("after_s", [0.0, 0.001, 0.01, 1.0])
async def test_an_abort_on_the_way_back_begins_no_step(made: FakeBench, after_s: float) -> None:
    """The next step took the carriage for standing, still on its way back."""
    run = await paused_out_there(made)
    made.runner.resume(run, USER)
    await made.clock.sleep(after_s)
    await made.runner.abort(run, USER)
    assert await made.ended(run) == "aborted"
    assert OUT_UM not in made.moves_um[1:]
    assert not made.axis.moving
    assert made.bench.trust.homed
    assert await made.bench.store.readings(run) == []


# Failure


async def test_a_step_that_fails_ends_the_run_and_its_end_is_carried_out(made: FakeBench) -> None:
    run = await made.run("lit")
    await made.said("asking")
    made.answer(False)
    assert await made.ended(run) == "failed"
    assert made.lamp.set_to == [0.4, 0.0]
    (event,) = [event for event in made.events() if event["severity"] == "error"]
    assert (event["code"], event["data"]["run"]) == ("limit", run)


async def test_a_step_of_finally_that_fails_keeps_no_other_from_being_carried_out(made: FakeBench) -> None:
    made.lamp.refuses = 1
    run = await made.run("ends_far_away")
    assert await made.ended(run) == "failed"
    assert stands(made, NEAR_UM)
    assert made.lamp.set_to == [0.0, 0.0]


@pytest.mark.parametrize("paused", [False, True])
async def test_a_loss_of_trust_while_it_asks_ends_it_where_it_stands(made: FakeBench, paused: bool) -> None:
    run = await made.run("asks_out_there")
    await made.said("asking")
    if paused:
        await made.runner.stop("wall")
    made.axis.push(300.0)
    pushed_um = made.axis.carriage_um
    assert await made.ended(run) == "failed"
    assert made.doc["ask"] is None
    assert (made.axis.carriage_um, made.moves_um, made.lamp.now) == (pushed_um, [OUT_UM], 0.0)
    (event,) = made.events("device_fault")
    assert event["data"]["kind"] == "stall"


@pytest.mark.parametrize("what", ["lost steps", "frozen", "reset", "silence", "told"])
async def test_a_loss_of_trust_in_motion_ends_it_at_rest(made: FakeBench, what: str) -> None:
    run = await made.run("far_and_back")
    await made.beyond(12_000.0)
    match what:
        case "lost steps":
            made.axis.lose_steps(500.0)
        case "frozen":
            made.scale.freeze()
        case "reset":
            made.axis.reset()
        case "silence":
            made.axis.silent = True
        case _:
            made.axis.surprise("limit", "the end switch was hit")
    assert await made.ended(run) == "failed"
    await made.clock.sleep(10.0)
    assert not made.bench.trust.homed
    assert (made.moves_um, made.axis.moving, made.lamp.now) == ([FAR_UM], False, 0.0)
    if what != "silence":
        assert made.axis.carriage_um < 14_000.0, "it was stopped, and did not just come to its end"
    with pytest.raises(Refused) as caught:
        await made.bench.nominal()
    assert caught.value.code == "not_homed"


@pytest.mark.parametrize("moves", [False, True])
async def test_a_run_that_fails_while_it_is_paused_moves_nothing_at_its_end(made: FakeBench, moves: bool) -> None:
    run = await made.run("far_and_back")
    await made.beyond(12_000.0)
    made.runner.pause(run, USER)
    if not moves:
        await made.said("paused")
    made.axis.surprise("disabled", "the drive was switched off")
    assert await made.ended(run) == "failed"
    assert (made.moves_um, made.lamp.now) == ([FAR_UM], 0.0)


@pytest.mark.parametrize(("end", "step", "least", "most"), [
    # Weights of the steps: 1 s, then 0.1 s for each that takes no time, then 3 s: 4.2 in all.
    ("aborted at a question", 2, 1.0 / 4.2, 1.1 / 4.2),
    ("failed", 3, 1.1 / 4.2, 1.2 / 4.2),
    ("aborted in the last", 4, 1.2 / 4.2, 0.99),
])  # fmt: skip
async def test_progress_stays_where_a_run_did_not_end_well(
    made: FakeBench, end: str, step: int, least: float, most: float
) -> None:
    run = await made.run("weighs")
    await made.said("asking")
    if end != "aborted at a question":
        made.answer(end == "failed")
    if end == "aborted in the last":
        await in_step(made, 4)
    if end != "failed":
        await made.runner.abort(run, USER)
    assert await made.ended(run) == end.split(maxsplit=1)[0]
    assert (made.doc["step"], made.doc["of"], made.doc["eta_s"]) == (step, 4, None)
    assert least - 0.001 <= made.doc["progress"] <= most + 0.001


# At the end


async def test_a_pause_while_it_is_ending_is_refused_and_a_stop_still_holds_it(made: FakeBench) -> None:
    """It was accepted: the run said `paused`, and its `finally` drove the carriage to the other end all the same."""
    run = await made.run("ends_far_away")
    await made.beyond(12_000.0)
    for steer in (made.runner.pause, made.runner.resume):
        with pytest.raises(Refused, match=f"{run} is ending") as caught:
            steer(run, USER)
        assert caught.value.code == "bad_request"
    with pytest.raises(Refused, match=f"{run} is ending"):
        await made.runner.abort(run, USER)
    await made.runner.stop("wall")
    stood_um = made.axis.carriage_um
    assert await made.ended(run) == "done"
    await made.clock.sleep(5.0)
    assert (made.axis.carriage_um, made.moves_um) == (stood_um, [FAR_UM])
    assert made.lamp.now == 0.0, "of what would have moved its lights are put out all the same"
    assert made.states(run) == ["running", "done"]


@pytest.mark.parametrize("end", ["well", "failed", "aborted"])
async def test_what_was_called_has_its_end_carried_out_however_that_is(made: FakeBench, end: str) -> None:
    plan = await made.runner.dry_run("calls", {})
    lights = [entry["text"] for entry in plan["entries"] if entry["verb"] == "light"]
    assert (lights, plan["asks"]) == (["target_light level 0.4", "target_light level 0"], ["Well?", "Seen?"])
    run = await made.run("calls")
    await made.said("asking")
    assert made.lamp.now == 0.4
    if end == "aborted":
        await made.runner.abort(run, USER)
    else:
        made.answer(end == "well")
    if end == "well":
        await made.until(lambda: (made.doc["ask"] or {}).get("name") == "after")
        assert made.lamp.now == 0.0, "before the caller goes on"
        made.answer(True)
    assert await made.ended(run) == ("done" if end == "well" else end)
    assert made.lamp.set_to == [0.4, 0.0], "once"


async def test_what_is_called_at_the_end_and_broken_off_has_its_end_as_well(made: FakeBench) -> None:
    run = await made.run("ends_calling")
    await made.said("asking")
    made.answer(False)
    assert await made.ended(run) == "done"
    assert made.lamp.set_to == [0.4, 0.0]


@pytest.mark.parametrize("moment", ["moving", "asking", "paused", "returning", "ending"])
async def test_when_the_daemon_ends_the_run_is_aborted_and_nothing_moves_any_more(made: FakeBench, moment: str) -> None:
    if moment in ("moving", "asking"):
        run = await made.run("asks_out_there")
        await (made.beyond(12_000.0) if moment == "moving" else made.said("asking"))
    elif moment == "ending":
        run = await made.run("ends_far_away")
        await made.beyond(12_000.0)
    else:
        run = await paused_out_there(made)
        if moment == "returning":
            made.runner.resume(run, USER)
            await made.until(lambda: made.axis.moving)
    driven, began_s = len(made.moves_um), made.clock.monotonic()
    stopping = asyncio.create_task(made.bench.stop())  # as the daemon ends: the stop first, then what runs
    await asyncio.sleep(0)
    await made.runner.close(0.3)
    await stopping
    assert made.clock.monotonic() - began_s <= 0.6
    assert (await made.bench.store.run(run)).state == ("done" if moment == "ending" else "aborted")
    assert made.lamp.now == 0.0
    await made.clock.sleep(10.0)
    assert len(made.moves_um) == driven


# Questions


async def test_a_question_waits_for_the_first_valid_answer(made: FakeBench) -> None:
    run = await made.run("asks_out_there")
    await made.said("asking")
    ask = made.doc["ask"]
    assert (ask["name"], ask["kind"], ask["text"]) == ("hands", "yes_no", "Hands in?")
    with pytest.raises(Refused) as caught:
        made.answer("perhaps")
    assert (caught.value.code, made.state, made.doc["ask"]) == ("bad_request", "asking", ask)
    await made.clock.sleep(60.0)
    assert made.state == "asking"
    made.answer(False, "wall")
    with pytest.raises(Refused) as caught:
        made.runner.answer(ask["ask"], True, USER)
    assert caught.value.code == "not_found"
    await made.beyond(OUT_UM + 1000.0)
    assert (made.state, made.doc["ask"]) == ("running", None)
    assert await made.ended(run) == "done"


@pytest.mark.parametrize("how", ["pause", "stop"])
async def test_an_answer_in_a_pause_moves_nothing_until_it_is_resumed(made: FakeBench, how: str) -> None:
    run = await made.run("asks_out_there")
    await made.said("asking")
    if how == "stop":
        await made.runner.stop("wall")
    else:
        made.runner.pause(run, "wall")
    assert made.state == "paused"
    made.answer(True)
    await made.clock.sleep(10.0)
    assert (made.state, made.moves_um) == ("paused", [OUT_UM])
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    assert FAR_UM in made.moves_um


async def test_a_run_that_is_resumed_with_its_question_open_asks_it_again_and_drives_nowhere(made: FakeBench) -> None:
    run = await made.run("asks_out_there")
    await made.said("asking")
    ask = made.doc["ask"]
    made.runner.pause(run, USER)
    made.runner.resume(run, USER)
    await made.clock.sleep(10.0)
    assert (made.state, made.doc["ask"], made.moves_um) == ("asking", ask, [OUT_UM])
    made.answer(True)
    assert await made.ended(run) == "done"


async def test_another_run_than_the_one_under_way_is_not_steered(made: FakeBench) -> None:
    run = await made.run("asks_out_there")
    for steer in (made.runner.pause, made.runner.resume):
        with pytest.raises(Refused, match="r-0099 is not under way"):
            steer("r-0099", USER)
    with pytest.raises(Refused, match="r-0099 is not under way") as caught:
        await made.runner.abort("r-0099", USER)
    assert caught.value.data == {"run": run}
    await made.said("asking")


# A sweep


async def test_a_sweep_that_is_paused_and_stopped_goes_on_and_loses_no_point(made: FakeBench) -> None:
    made.error_um = 8.0
    await made.bench.lights.set("target_light", level=0.4, by=USER)
    order = SweepOrder(repeats=2)
    alone = await made.runner.sweep(order, USER, None, made.bench.carriage.stops)
    assert await made.ended(alone) == "done"
    run = await made.runner.sweep(order, USER, None, made.bench.carriage.stops)
    for after_s, how in ((2.0, "pause"), (2.0, "stop"), (2.0, "pause")):
        await made.clock.sleep(after_s)
        if how == "stop":
            await made.runner.stop("wall")
        else:
            made.runner.pause(run, "wall")
        await made.said("paused")
        driven = len(made.moves_um)
        await made.clock.sleep(10.0)
        assert len(made.moves_um) == driven
        made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    undisturbed, paused = [await made.bench.store.readings(one) for one in (alone, run)]
    assert len(paused) == len(undisturbed)
    assert [row.idx for row in paused] == [row.idx for row in undisturbed]
    first, second = (finding["values"]["focus_error"]["value"] for finding in await made.bench.store.findings(limit=2))
    assert first == pytest.approx(second, abs=1.0)


async def test_a_full_disk_pauses_a_sweep_and_its_reading_is_kept_once_there_is_room(
    made: FakeBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    full, keep = True, made.bench.store.add_readings

    async def add_readings(rows: Sequence[ReadingRow]) -> None:
        if full:
            raise BenchdError("disk_full", "There is no room on the disk.")
        await keep(rows)

    monkeypatch.setattr(made.bench.store, "add_readings", add_readings)
    await made.bench.lights.set("target_light", level=0.4, by=USER)
    run = await made.runner.sweep(SweepOrder(), USER, None, made.bench.carriage.stops)
    await made.said("paused")
    await made.clock.sleep(10.0)
    assert [event["code"] for event in made.events() if event["severity"] == "error"] == ["disk_full"]
    full = False
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    rows = await made.bench.store.readings(run)
    assert sorted({row.idx for row in rows}) == list(range(len(rows) // 2)), "none is missing"


# Whatever people do


@pytest.mark.parametrize("seed", range(60))
async def test_whatever_people_do_a_run_ends_dark_and_who_stops_it_has_it_stand(made: FakeBench, seed: int) -> None:
    """Drawn at random, with what the hardware does; held against what was asked of the axis."""
    drawn = random.Random(seed)
    run = await made.run(drawn.choice(("far_and_back", "asks_out_there", "ends_far_away", "waits_out_there", "calls")))
    made.axis.stop_takes_s = drawn.choice((0.0, 0.15))
    stands_since: float | None = None
    for _ in range(drawn.randrange(1, 12)):
        await made.clock.sleep(drawn.choice((0.0, 0.001, 0.003, 0.1, 0.5, 2.0)))
        what = drawn.choices(
            ("pause", "resume", "stop", "abort", "answer", "push", "reset", "loss"), (40, 60, 30, 10, 40, 3, 3, 3)
        )[0]
        if made.doc["run"] != run or made.state in OVER:
            break
        with suppress(Refused):
            match what:
                case "stop":
                    asked_s = made.clock.monotonic()
                    await made.runner.stop("wall")
                    stands_since = asked_s
                case "resume":
                    made.runner.resume(run, USER)
                    if stands_since is not None:
                        assert_stood(made, stands_since, made.clock.monotonic())
                    stands_since = None
                case "pause":
                    made.runner.pause(run, USER)
                case "abort":
                    await made.runner.abort(run, USER)
                case "answer" if made.doc["ask"] is not None:
                    made.answer(drawn.random() < 0.5)
                case "push":
                    made.axis.push(400.0)
                case "reset":
                    made.axis.reset()
                case "loss":
                    made.axis.lose_steps(400.0)
    with suppress(Refused):
        await made.runner.abort(run, USER)
    await made.ended(run)
    await made.clock.sleep(5.0)
    if stands_since is not None:
        assert_stood(made, stands_since, made.clock.monotonic())
    assert (made.axis.moving, made.lamp.now) == (False, 0.0)
    made.bench.jobs.check_free()


def assert_stood(made: FakeBench, since_s: float, until_s: float) -> None:
    began = [asked for asked in made.axis.asked if since_s < asked.at_s < until_s]
    assert not began, "nobody had resumed it since it was stopped"
