"""What a stop leaves on its way: commands that arrive after it, and a light that the controller has not set yet.

Where the carriage stands is asked of the world.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from tests.virtual.benches import VirtualBench

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = pytest.mark.asyncio(loop_scope="module")

STANDS = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "distance_mm": 5000, "ring": "infinity"}
FLICKERS = """\
procedure: flickers
title: Flickers
needs: {roles: [carriage, target_light, position]}
steps:
  - repeat: 60
    steps:
      - light: {level: 0.3}
      - light: {level: 0.6}
finally:
  - light: {level: 0}
"""
LOOKS = """\
procedure: looks
title: Looks again
needs: {roles: [carriage, target_light, detector]}
steps:
  - light: {level: 0.4}
  - sweep: {retries: 3, look_again: "Put the lens on."}
finally:
  - light: {level: 0}
"""
FILES = {"procedures/flickers.yaml": FLICKERS, "procedures/looks.yaml": LOOKS}


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    async with VirtualBench(tmp_path_factory.mktemp("stops"), files=FILES) as bench:
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def client(bench: VirtualBench) -> AsyncIterator[BenchClient]:
    """Somebody in control of a homed bench with a lens, at nominal."""
    async with bench.client("rail") as client:
        await client.command("take", beat=False, force=True)
        await client.command("setup", set={"lens": None, "adapters": [], "glass": []})
        await client.do("home", axes=["carriage"], only_if_unhomed=True)
        await client.command("setup", set=STANDS)
        await client.do("nominal")
        yield client


async def told(client: BenchClient, topic: str, holds: Callable[[Any], bool]) -> dict[str, Any]:
    """The document of a topic once it is as wanted."""
    async with asyncio.timeout(120):
        async for _, said in client.watch(topic):
            if said is not None and holds(said):
                return dict(said)
    raise AssertionError(topic)


async def ended(client: BenchClient, run: str) -> str:
    async with asyncio.timeout(120):
        *_, last = [state async for state in client.follow(run)]
    return str(last["state"])


async def test_a_move_that_was_typed_before_a_stop_and_arrives_after_it_moves_nothing(
    bench: VirtualBench, client: BenchClient
) -> None:
    beat = (await client.kept("beat"))["beat"]
    async with bench.client("wall") as wall:
        await wall.stop()
    await asyncio.sleep(0.3)
    told = client.watch("event")
    typed = {"id": "typed-before", "beat": beat, "args": {"carriage_um": 25_000.0}}
    await client._publish(client.topics.command(client.user, "move"), json.dumps(typed).encode())
    async with asyncio.timeout(120):
        event = await anext(doc async for _, doc in told if doc["cause"] == "typed-before")
    assert event["code"] == "stale"
    await bench.rests(1.5)
    await client.do("move", carriage_um=9_000.0)


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


async def test_a_stop_right_after_the_answer_to_look_again_leaves_the_target_lit_and_the_count(
    bench: VirtualBench, client: BenchClient
) -> None:
    """No lens is on the bench. A stop that takes the lamp's level with it left the target dark from then on."""
    bench.ask_world({"do": "remove", "what": "lens"})
    run = await client.run("looks")
    for times in (3, 2, 1):
        doc = await told(client, "procedure", lambda doc: doc["ask"] is not None or doc["state"] == "failed")
        assert doc["run"] == run
        assert f"Look again, {times} more" in doc["ask"]["text"]
        assert bench.machine.lamp.level == 0.0
        await asyncio.gather(client.command("answer", ask=doc["ask"]["ask"], value=True), client.stop())
        await told(client, "procedure", lambda doc: doc["state"] == "paused")
        await client.command("resume", run=run)
        async with asyncio.timeout(60):
            while bench.machine.lamp.level == 0.0:  # noqa: ASYNC110 # looked at from outside
                await asyncio.sleep(0.01)
        assert bench.machine.lamp.level == pytest.approx(0.4, abs=0.01)
    assert await ended(client, run) == "failed"
