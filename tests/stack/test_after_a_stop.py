"""Who has stopped a run wants it to stand: `finally` puts lights out and moves nothing, nor does it after a surprise.

And who resumes finds the run where it was: at the place it had moved to, with steps that are counted once.
Where the carriage stands is asked of the world.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import time
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.errors import Refused
from stack import CONFIGS, Stack
from tests.stack.conftest import SEED

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient
    from benchd.client.watch import Watch

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

STILL_UM = 10.0
STANDS = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "distance_mm": 5000, "ring": "infinity"}
PROCEDURES = {
    "far_and_back": """
steps:
  - light: {level: 0.4}
  - move: {carriage_um: 25000}
finally:
  - move: {carriage_um: 1000}
  - light: {level: 0}
""",
    "asks_out_there": """
steps:
  - light: {level: 0.4}
  - move: {carriage_um: 20000}
  - ask: {name: hands, kind: confirm, text: "Hands in?"}
finally:
  - home: {axes: [carriage]}
  - move: {carriage_um: 1000}
  - light: {level: 0}
""",
    "homes_twice": """
steps:
  - light: {level: 0.4}
  - home: {axes: [carriage]}
finally:
  - home: {axes: [carriage]}
  - light: {level: 0}
""",
    "reads_out_there": """
steps:
  - move: {carriage_um: 20000}
  - wait: {for_s: 0.8}
  - read: {device: position, as: there}
""",
    "ends_far_away": """
steps:
  - light: {level: 0.4}
finally:
  - move: {carriage_um: 25000}
  - move: {carriage_um: 1000}
  - light: {level: 0}
""",
    "flickers": """
steps:
  - repeat: 60
    steps:
      - light: {level: 0.3}
      - light: {level: 0.6}
finally:
  - light: {level: 0}
""",
    "by_steps": """
steps:
  - move: {carriage_um: 5000}
  - move: {by_um: 20000}
""",
}


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def stack(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Stack]:
    """At true pace, for there to be time in which to stop; with procedures of its owner's."""
    folder = tmp_path_factory.mktemp("stops")
    shutil.copytree(CONFIGS / "workshop", folder / "workshop")
    (folder / "workshop" / "procedures").mkdir()
    needs = "needs: {roles: [carriage, target_light, position]}"
    for name, steps in PROCEDURES.items():
        text = f"procedure: {name}\ntitle: {name}\n{needs}{steps}"
        (folder / "workshop" / "procedures" / f"{name}.yaml").write_text(text)
    async with Stack(seed=SEED, pace=2.0, folder=folder) as stack:
        yield stack


@pytest_asyncio.fixture(loop_scope="module")
async def client(stack: Stack) -> AsyncIterator[BenchClient]:
    """Somebody in control of a homed bench with a lens, at nominal."""
    async with stack.client("rail") as client:
        await client.command("take", beat=False, force=True)
        await client.command("setup", set={"lens": None, "adapters": [], "glass": []})
        await client.do("home", axes=["carriage"], only_if_unhomed=True)
        await client.command("setup", set=STANDS)
        await client.do("nominal")
        yield client


def place_um(stack: Stack) -> float:
    """Where the carriage truly stands."""
    return float(stack.ask_world({"do": "truth"})["truth"]["now"]["carriage_um"])


async def stays(stack: Stack, for_s: float = 1.5) -> bool:
    """Whether it rests from now on."""
    stands, ends = place_um(stack), time.monotonic() + for_s
    while time.monotonic() < ends:
        await asyncio.sleep(0.05)
        if abs(place_um(stack) - stands) > STILL_UM:
            return False
    return True


async def told(client: BenchClient, topic: str, holds: Callable[[Any], bool]) -> dict[str, Any]:
    """The document of a topic once it is as wanted."""
    async with asyncio.timeout(120):
        async for _, said in client.watch(topic):
            if said is not None and holds(said):
                return dict(said)
    raise AssertionError(topic)


async def beyond(client: BenchClient, um: float) -> None:
    await told(client, "device/carriage", lambda doc: doc["state"] == "moving" and (doc["carriage_um"] or 0.0) > um)


async def so_far(watch: Watch) -> AsyncIterator[dict[str, Any]]:
    """What it has heard, and hears within a moment."""
    try:
        async with asyncio.timeout(0.5):
            async for _, doc in watch:
                yield doc
    except TimeoutError:
        return


async def ended(client: BenchClient, run: str) -> str:
    async with asyncio.timeout(120):
        *_, last = [state async for state in client.follow(run)]
    return str(last["state"])


async def dark(client: BenchClient) -> None:
    await told(client, "device/target_light", lambda doc: doc["level"] == 0.0)


@pytest.mark.parametrize("after_s", [0.0, 0.05, 0.15])
async def test_a_stop_just_after_an_abort_is_the_last_motion(stack: Stack, client: BenchClient, after_s: float) -> None:
    run = await client.run("far_and_back")
    await beyond(client, 12_000.0)
    aborting = asyncio.create_task(client.command("abort", beat=False, run=run))
    await asyncio.sleep(after_s)
    await client.stop()
    await aborting
    assert await ended(client, run) == "aborted"
    await asyncio.sleep(0.5)  # what it takes to come to rest
    assert await stays(stack)
    assert place_um(stack) > 11_000.0
    await dark(client)


async def test_an_abort_alone_still_ends_where_the_procedure_says(stack: Stack, client: BenchClient) -> None:
    run = await client.run("far_and_back")
    await beyond(client, 12_000.0)
    await client.command("abort", beat=False, run=run)
    assert await ended(client, run) == "aborted"
    state = await told(client, "device/carriage", lambda doc: doc["state"] == "idle")
    assert state["carriage_um"] == pytest.approx(1000.0, abs=2.0)
    await dark(client)


@pytest.mark.parametrize("stopped", [False, True])
async def test_nothing_moves_by_itself_after_a_push(stack: Stack, client: BenchClient, stopped: bool) -> None:
    run = await client.run("asks_out_there")
    await told(client, "procedure", lambda doc: doc["run"] == run and doc["state"] == "asking")
    if stopped:
        await client.stop()
        await told(client, "procedure", lambda doc: doc["state"] == "paused")
    stack.ask_world({"do": "fault", "who": "world", "what": "push", "args": {"value": 300}})
    pushed = place_um(stack)
    assert await ended(client, run) == "failed"
    assert await stays(stack)
    assert abs(place_um(stack) - pushed) < STILL_UM
    await dark(client)


async def test_a_stop_in_homing_ends_homing_for_good(stack: Stack, client: BenchClient) -> None:
    await client.do("move", carriage_um=25_000.0)
    await client.command("setup", set={"lens": None, "adapters": [], "glass": []})
    events, states = client.watch("event"), client.watch("procedure")
    run = await client.run("homes_twice")
    await told(client, "device/carriage", lambda doc: doc["state"] == "homing")
    await asyncio.sleep(0.5)
    async with stack.client("wall") as wall:
        await wall.stop()
        assert await ended(client, run) == "failed"
    said = [doc["state"] async for doc in so_far(states) if doc["run"] == run]
    assert "paused" not in said, "nobody could have resumed it"
    assert f"Run {run} (homes_twice) was stopped by wall." in [event["text"] async for event in so_far(events)]
    await asyncio.sleep(0.5)
    assert await stays(stack)
    assert place_um(stack) > 5_000.0
    await dark(client)


async def test_a_reading_after_a_pause_is_taken_where_the_run_had_moved_to(client: BenchClient) -> None:
    readings = client.watch("reading")
    run = await client.run("reads_out_there")
    await told(client, "procedure", lambda doc: doc["run"] == run and doc["step"] == 2)
    await client.command("pause", beat=False, run=run)
    await asyncio.sleep(1.0)
    await client.command("resume", run=run)
    assert await ended(client, run) == "done"
    async with asyncio.timeout(120):
        async for _, reading in readings:
            if reading["run"] == run:
                break
    assert reading["carriage_um"] == pytest.approx(20_000.0, abs=2.0)


async def test_a_move_that_was_typed_before_a_stop_and_arrives_after_it_moves_nothing(
    stack: Stack, client: BenchClient
) -> None:
    beat = (await client.kept("beat"))["beat"]
    async with stack.client("wall") as wall:
        await wall.stop()
    await asyncio.sleep(0.3)
    told = client.watch("event")
    typed = {"id": "typed-before", "beat": beat, "args": {"carriage_um": 25_000.0}}
    await client._publish(client.topics.command(client.user, "move"), json.dumps(typed).encode())
    async with asyncio.timeout(120):
        event = await anext(doc async for _, doc in told if doc["cause"] == "typed-before")
    assert event["code"] == "stale"
    assert await stays(stack)
    await client.do("move", carriage_um=9_000.0)


async def test_a_pause_while_a_run_is_ending_is_refused_and_a_stop_still_holds_it(
    stack: Stack, client: BenchClient
) -> None:
    """It was accepted: the run said `paused`, and its `finally` drove the carriage to the other end all the same."""
    states = client.watch("procedure")
    run = await client.run("ends_far_away")
    await beyond(client, 12_000.0)
    with pytest.raises(Refused, match=f"{run} is ending") as caught:
        await client.command("pause", beat=False, run=run)
    assert caught.value.code == "bad_request"
    await client.stop()
    assert await ended(client, run) == "done"
    await asyncio.sleep(0.5)
    assert await stays(stack)
    assert place_um(stack) > 11_000.0
    await dark(client)
    assert "paused" not in [doc["state"] async for doc in so_far(states) if doc["run"] == run]


async def test_a_run_says_that_it_is_paused_when_it_stands_and_then_nothing_moves(
    stack: Stack, client: BenchClient
) -> None:
    """Paused in its last step it said so at once, drove on to the end of the step, and then through its `finally`."""
    run = await client.run("far_and_back")
    await beyond(client, 6_000.0)
    await client.command("pause", beat=False, run=run)
    await told(client, "procedure", lambda doc: doc["state"] == "paused")
    assert await stays(stack)
    assert place_um(stack) == pytest.approx(25_000.0, abs=200.0), "at the end of the step that was under way"
    assert client.state()["procedure"]["state"] == "paused"
    await client.command("abort", beat=False, run=run)
    assert await ended(client, run) == "aborted"
    state = await told(client, "device/carriage", lambda doc: doc["state"] == "idle")
    assert state["carriage_um"] == pytest.approx(1000.0, abs=2.0), "who aborts it has its `finally`"


async def test_a_stop_while_a_light_is_on_its_way_pauses_the_run_as_any_other(client: BenchClient) -> None:
    """It had failed: 'the level was not set, and will not be: a stop came first'."""
    for after_s in (0.1, 0.13, 0.16, 0.19):
        run = await client.run("flickers")
        await asyncio.sleep(after_s)
        await client.stop()
        stopped = await told(client, "procedure", lambda doc: doc["state"] in ("paused", "failed"))
        assert (stopped["run"], stopped["state"]) == (run, "paused")
        await client.command("resume", run=run)
        assert await ended(client, run) == "done"


async def test_a_run_that_drives_back_to_where_it_stood_does_not_say_that_it_is_paused(
    stack: Stack, client: BenchClient
) -> None:
    """From the resume on something moves: who reads 'paused' puts a hand in."""
    run = await client.run("reads_out_there")
    await told(client, "procedure", lambda doc: doc["run"] == run and doc["step"] == 2)
    await client.command("pause", beat=False, run=run)
    await told(client, "procedure", lambda doc: doc["run"] == run and doc["state"] == "paused")
    await asyncio.sleep(0.3)
    stood = place_um(stack)
    states = client.watch("procedure")
    await client.command("resume", run=run)
    async with asyncio.timeout(120):
        while abs(place_um(stack) - stood) < 100.0:  # noqa: ASYNC110 # asked of the world
            await asyncio.sleep(0.01)
    said = [doc["state"] async for doc in so_far(states) if doc["run"] == run]
    assert said[-1] == "running"
    assert await ended(client, run) == "done"


async def test_a_step_that_was_stopped_is_not_counted_twice(client: BenchClient) -> None:
    run = await client.run("by_steps")
    await beyond(client, 12_000.0)
    await client.stop()
    await told(client, "procedure", lambda doc: doc["state"] == "paused")
    await client.command("resume", run=run)
    assert await ended(client, run) == "done"
    state = await told(client, "device/carriage", lambda doc: doc["state"] == "idle")
    assert state["carriage_um"] == pytest.approx(25_000.0, abs=2.0)
