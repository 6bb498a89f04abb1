"""`benchd.client` against the real remote room on a real broker, in MQTT 5 and 3.1.1."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
import pytest

from benchd.broker.embedded import EmbeddedBroker
from benchd.client import BenchClient, BrokenOff
from benchd.errors import BenchdError, Refused
from benchd.testing.mqtt_rig import MqttRig, until


@pytest.fixture(params=["5", "3.1.1"])
async def client(rig: MqttRig, broker: EmbeddedBroker, request: pytest.FixtureRequest) -> AsyncIterator[BenchClient]:
    port = broker.ports.v5 if request.param == "5" else broker.ports.v4
    async with BenchClient("127.0.0.1", port, user="alice", version=request.param) as made:
        yield made


async def test_finds_the_bench_and_the_protocol_by_itself(rig: MqttRig, broker: EmbeddedBroker) -> None:
    for port in (broker.ports.v5, broker.ports.v4):
        async with BenchClient(f"mqtt://127.0.0.1:{port}") as client:
            assert client.bench == "north-rail"
            assert await client.kept("online") is True


async def test_several_benches_must_be_named(rig: MqttRig, broker: EmbeddedBroker) -> None:
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as other:
        await other.publish("benchd/south-rail/online", b"true", qos=1, retain=True)
        with pytest.raises(Refused) as caught:
            await BenchClient("127.0.0.1", broker.ports.v5).__aenter__()
        assert caught.value.code == "unknown_name"
        async with BenchClient("127.0.0.1", broker.ports.v5, bench="north-rail") as client:
            assert client.bench == "north-rail"


async def test_no_bench_and_no_broker_are_told_plainly(broker: EmbeddedBroker) -> None:
    with pytest.raises(BenchdError, match="No bench is on line"):
        await BenchClient("127.0.0.1", broker.ports.v5).__aenter__()
    await broker.stop()
    with pytest.raises(BenchdError, match="No MQTT broker answers"):
        await BenchClient("127.0.0.1", broker.ports.v5).__aenter__()


async def test_command_gives_the_result_or_raises_the_code(rig: MqttRig, client: BenchClient) -> None:
    with pytest.raises(Refused) as caught:
        await client.command("move", by_um=5)
    assert caught.value.code == "not_holder"
    assert caught.value.advice
    assert await client.command("take") == {"holder": "alice"}
    assert await client.command("move", by_um=5) == {"did": "move"}
    with pytest.raises(Refused) as caught:
        await client.command("move", beat=False, by_um=5)
    assert caught.value.code == "stale"
    with pytest.raises(Refused) as caught:
        await client.command("levitate")
    assert caught.value.code == "unknown_verb"
    assert [request.args.by_um for request in rig.done] == [5]


async def test_a_client_that_was_held_up_waits_for_a_beat_that_is_new(rig: MqttRig, client: BenchClient) -> None:
    """A command line that had loaded something heavy for 3 s was refused as `stale`, though it had just been typed."""
    await client.command("take")
    time.sleep(3.2)  # noqa: ASYNC251  the loop itself has to stand
    assert await client.command("move", by_um=5) == {"did": "move"}


async def test_a_stop_drops_what_was_asked_for_before_it_and_still_waits_for_a_beat(
    rig: MqttRig, client: BenchClient
) -> None:
    """The beat that comes next was drawn after the stop, and would have carried out what was asked for before it."""
    await client.command("take")
    time.sleep(3.2)  # noqa: ASYNC251  the loop itself has to stand, so that the beat heard last is an old one
    move = asyncio.create_task(client.command("move", by_um=5))
    await asyncio.sleep(0)
    await client.stop()
    with pytest.raises(Refused, match="A stop came after `move` was asked for") as caught:
        await move
    assert (caught.value.code, caught.value.data) == ("stale", {"stopped": True})
    assert await client.command("move", by_um=6) == {"did": "move"}
    assert [request.args.by_um for request in rig.done] == [6]


async def test_two_hundred_commands_side_by_side_get_their_own_answers(rig: MqttRig, client: BenchClient) -> None:
    for start in range(0, 200, 25):
        levels = [n / 200 for n in range(start, start + 25)]
        await asyncio.gather(*(client.command("light", level=level) for level in levels))
    assert sorted(request.args.level for request in rig.done) == [n / 200 for n in range(200)]


async def test_kept_and_watch(rig: MqttRig, client: BenchClient) -> None:
    rig.notices.put("device/carriage", {"state": "idle", "n": 0})
    assert (await client.kept("device/carriage"))["state"] == "idle"
    watch = client.watch("device/+")
    assert await anext(watch) == ("device/carriage", {"state": "idle", "n": 0})
    rig.notices.put("device/lamp", {"level": 1})
    rig.notices.tell("reading", {"idx": 1})
    assert await anext(watch) == ("device/lamp", {"level": 1})
    rig.notices.put("device/lamp", None)
    assert await anext(watch) == ("device/lamp", None)
    assert "device/lamp" not in client.state()
    with pytest.raises(BenchdError) as caught:
        await client.kept("device/nobody", within_s=0.1)
    assert caught.value.code == "timeout"


async def test_a_watch_nobody_reads_is_bounded(rig: MqttRig, client: BenchClient) -> None:
    watch = client.watch("reading", limit=10)
    for index in range(50):
        rig.notices.tell("reading", {"idx": index})
    rig.notices.put("setup", {"rev": 1})
    await client.kept("setup")
    await until(lambda: watch.dropped == 40)
    assert [(await anext(watch))[1]["idx"] for _ in range(10)] == list(range(40, 50))


async def test_do_waits_for_the_event_that_ends_it(rig: MqttRig, client: BenchClient) -> None:
    await client.command("take")

    async def end(code: str, severity: str) -> None:
        before = len(rig.done)
        await until(lambda: len(rig.done) > before)
        cause = rig.done[-1].id
        rig.notices.tell("event", {"code": "done", "cause": "another", "severity": "info", "data": {"no": 1}})
        rig.notices.tell("event", {"code": code, "cause": cause, "severity": severity, "text": "x", "data": {"a": 1}})

    ending = asyncio.create_task(end("done", "info"))
    assert await client.do("home", within_s=5) == {"a": 1}
    await ending
    ending = asyncio.create_task(end("stopped", "warning"))
    with pytest.raises(BrokenOff):
        await client.do("home", within_s=5)
    await ending
    ending = asyncio.create_task(end("not_homed", "error"))
    with pytest.raises(BenchdError) as caught:
        await client.do("nominal", within_s=5)
    assert caught.value.code == "not_homed"
    await ending
    with pytest.raises(BenchdError) as caught:
        await client.do("home", within_s=0.1)
    assert caught.value.code == "timeout"


async def test_do_of_what_is_done_once_it_is_answered_does_not_wait(rig: MqttRig, client: BenchClient) -> None:
    """`setup` without `follow` has no event of its end: it waited for ever."""
    await client.command("take")
    assert await client.do("setup", set={"trim_um": 0.0}, within_s=5) == {"did": "setup"}
    with pytest.raises(BenchdError, match="`setup` has not ended"):
        await client.do("setup", set={"trim_um": 0.0}, follow=True, within_s=0.1)
    assert await client.do("read", device="position", within_s=5) == {"did": "read"}


async def test_stop_needs_nothing(rig: MqttRig, client: BenchClient) -> None:
    await client.stop()
    await client.stop("carriage")
    await until(lambda: len(rig.stops) == 2)
    assert [(user, args.axis) for user, args in rig.stops] == [("alice", None), ("alice", "carriage")]


async def test_who_has_stopped_goes_on_at_once_without_being_refused(rig: MqttRig, client: BenchClient) -> None:
    """A stop voids the beat that the client holds; the one after it is in the answer to the stop."""
    await client.command("take")
    for turn in range(40):
        stops = [client.stop() for _ in range(1 + turn % 3)]
        await asyncio.gather(*stops)
        await client.command("home")
        if turn % 5 == 0:
            await asyncio.sleep(0.03 * turn)  # at any moment between two beats
    assert [request.verb for request in rig.done] == ["home"] * 40


async def test_a_command_long_after_a_stop_goes_by_a_beat_of_now(rig: MqttRig, client: BenchClient) -> None:
    """The first command after a stop took the beat of the stop's answer, however old: after three seconds it was
    refused as stale."""
    await client.command("take")
    await client.stop()
    await asyncio.sleep(3.5)
    await client.command("move", by_um=1.0)
    assert [request.verb for request in rig.done] == ["move"]


async def test_a_stop_of_another_voids_what_this_client_was_about_to_ask(rig: MqttRig, client: BenchClient) -> None:
    await client.command("take")
    before = await client.kept("beat")
    async with BenchClient(rig._endpoint().host, rig._endpoint().port, user="wall") as wall:
        await wall.stop()
        await until(lambda: bool(rig.stops))
    client._heard.kept["beat"] = before
    with pytest.raises(Refused, match="A stop came after this was asked for"):
        await client.command("home")
    await until(lambda: client.state()["beat"] != before)
    await client.command("home")


async def test_run_follow_and_answer(rig: MqttRig, client: BenchClient) -> None:
    async def start(request: Any) -> dict[str, Any]:
        rig.done.append(request)
        rig.notices.put("procedure", {"run": "r-0002", "state": "running", "step": 1})
        return {"run": "r-0002"}

    rig.intake._handlers["run"] = start
    rig.notices.put("procedure", {"run": "r-0001", "state": "done", "step": 9})
    await client.command("take")
    run = await client.run("flange_check", {"lens": "L-0417"})
    assert (rig.done[0].args.procedure, rig.done[0].args.inputs) == ("flange_check", {"lens": "L-0417"})
    states = []
    async for state in client.follow(run):
        states.append(state["state"])
        if state["state"] == "running":
            rig.notices.put("procedure", {"run": run, "state": "asking", "ask": {"ask": "a-5", "kind": "yes_no"}})
        elif state["state"] == "asking":
            assert await client.answer(state["ask"]["ask"], True) == {"did": "answer"}
            rig.notices.put("procedure", {"run": run, "state": "done", "ask": None})
    assert states == ["running", "asking", "done"]
    assert (rig.done[1].args.ask, rig.done[1].args.value) == ("a-5", True)


async def test_a_lost_broker_ends_everything_that_waits(rig: MqttRig, broker: EmbeddedBroker) -> None:
    forever = asyncio.Event()

    async def never(_: Any) -> dict[str, Any]:
        await forever.wait()
        return {}

    rig.intake._handlers["read"] = never
    async with BenchClient("127.0.0.1", broker.ports.v5) as client:
        watch = client.watch("event")
        asked = asyncio.create_task(client.command("read", device="position"))
        reading = asyncio.create_task(anext(watch))
        await asyncio.sleep(0.2)
        await broker.stop()
        for waiting in (asked, reading):
            with pytest.raises(BenchdError) as caught:
                async with asyncio.timeout(5):
                    await waiting
            assert caught.value.code == "timeout"
        with pytest.raises(BenchdError):
            await client.command("light", on=True)
        with pytest.raises(BenchdError):
            await client.stop()
    forever.set()
    await broker.start()
    await rig.up()


async def test_a_repeated_delivery_does_not_spoil_the_answer(rig: MqttRig, client: BenchClient) -> None:
    """QoS 1 may deliver a command twice; the second is answered `duplicate`, the first with its result."""
    gate = asyncio.Event()

    async def slow(request: Any) -> dict[str, Any]:
        rig.done.append(request)
        await gate.wait()
        return {"slow": True}

    rig.intake._handlers["read"] = slow
    asked = asyncio.create_task(client.command("read", ident="same", device="position"))
    await until(lambda: bool(rig.done))
    again = b'{"id":"same","args":{"device":"position"}}'
    await client._client.publish(client.topics.command("alice", "read"), again, qos=1)
    gate.set()
    assert await asked == {"slow": True}
    client._answer_within_s = 0.3
    with pytest.raises(Refused) as caught:
        await client.command("read", ident="same", device="position")
    assert caught.value.code == "duplicate"
    assert len(rig.done) == 1


def test_a_client_loads_nothing_of_a_bench() -> None:
    """Every command line is one: what only a daemon needs made each of them wait for a second."""
    heavy = "{'numpy', 'scipy', 'sqlalchemy', 'ruamel.yaml', 'benchd.bench.bench'}"
    code = f"import sys, benchd.client; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    code = f"import sys, benchd.verbs.table; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
