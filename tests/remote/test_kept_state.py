"""What is kept: there for who comes late, said once, at most 20 times a second, and back after any loss."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
import textwrap
import time
from collections.abc import AsyncIterator

import aiomqtt
import pytest

from benchd.broker.embedded import EmbeddedBroker
from benchd.broker.watchdog import Watchdog
from benchd.devices.clock import Clock
from benchd.testing.mqtt_rig import MqttRig

BASE = "benchd/north-rail/"


@pytest.fixture
async def onlooker(rig: MqttRig, broker: EmbeddedBroker) -> AsyncIterator[aiomqtt.Client]:
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as client:
        await client.subscribe(BASE + "#")
        yield client


async def retained(broker: EmbeddedBroker, quiet_s: float = 0.4) -> dict[str, bytes]:
    """Everything retained below the bench, as a late client of MQTT 3.1.1 sees it, till no more comes.

    One embedded broker now and then cuts, or leaves without an answer, whoever comes in the moment that another goes.
    """
    for _ in range(3):
        found: dict[str, bytes] = {}
        with contextlib.suppress(aiomqtt.MqttError):
            async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as client:
                await client.subscribe(BASE + "#")
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(120.0) as limit:
                        async for message in client.messages:
                            limit.reschedule(asyncio.get_running_loop().time() + quiet_s)
                            if message.retain:
                                found[str(message.topic)[len(BASE) :]] = bytes(message.payload)
                return found
    raise AssertionError("the broker cut three clients in a row")


async def hear(client: aiomqtt.Client, topic: str, seconds: float = 5.0) -> bytes:
    async with asyncio.timeout(seconds):
        async for message in client.messages:
            if str(message.topic) == BASE + topic:
                return bytes(message.payload)
    raise AssertionError


async def test_a_late_client_finds_everything(rig: MqttRig, broker: EmbeddedBroker) -> None:
    for index in range(60):
        rig.notices.put(f"device/d{index}", {"state": "idle", "n": index})
    rig.notices.put("setup", {"rev": 1})
    rig.notices.put("finding/flange", {"finding": "f-1"})
    async with asyncio.timeout(120.0):
        while not {"beat", "control", "device/d59", "finding/flange"} <= set(found := await retained(broker)):
            pass
    assert found["online"] == b"true"
    assert json.loads(found["beat"])["beat"].startswith(rig.beat.epoch + "-")
    assert json.loads(found["control"]) == {"holder": None, "since": None, "idle_s": None}
    assert [json.loads(found[f"device/d{index}"])["n"] for index in range(60)] == list(range(60))
    rig.notices.put("finding/flange", None)
    await asyncio.sleep(0.2)
    assert "finding/flange" not in await retained(broker)


async def test_at_most_twenty_a_second_ending_with_the_newest(rig: MqttRig, onlooker: aiomqtt.Client) -> None:
    heard: list[int] = []
    began = time.monotonic()

    async def listen() -> None:
        async for message in onlooker.messages:
            if str(message.topic) == BASE + "device/carriage":
                heard.append(json.loads(bytes(message.payload))["n"])
                if heard[-1] == 499:
                    return

    listening = asyncio.create_task(listen())
    for n in range(500):
        rig.notices.put("device/carriage", {"n": n, "seq": n})
        await asyncio.sleep(0.002)
    async with asyncio.timeout(120):
        await listening
    took = time.monotonic() - began
    assert 2 <= len(heard) <= took * 20 + 2
    assert heard == sorted(set(heard))


async def test_an_event_comes_after_the_state_that_led_to_it(rig: MqttRig, onlooker: aiomqtt.Client) -> None:
    heard: list[tuple[str, int]] = []
    for n in range(1, 6):  # the state is told so often that its pause is always on when it changes again
        rig.notices.put("device/carriage", {"n": n, "at": "way"})
        await asyncio.sleep(0.005)
        rig.notices.put("device/carriage", {"n": n, "at": "end"})
        rig.notices.tell("event", {"n": n})
    async with asyncio.timeout(120):
        async for message in onlooker.messages:
            topic, said = str(message.topic).removeprefix(BASE), json.loads(bytes(message.payload) or b"{}")
            if topic in ("device/carriage", "event"):
                heard.append((topic, said["n"]))
            if heard and heard[-1] == ("event", 5):
                break
    for n in range(1, 6):
        before = heard[: heard.index(("event", n))]
        assert max(number for topic, number in before if topic == "device/carriage") >= n, heard


async def test_an_event_does_not_wait_for_topics_that_somebody_empties_on_and_on(
    rig: MqttRig, onlooker: aiomqtt.Client
) -> None:
    for name in ("one", "two"):
        rig.notices.put(f"device/{name}", {"state": "idle"})
    await asyncio.sleep(0.2)

    heard = False

    async def empty() -> None:
        while not heard:
            for name in ("one", "two"):
                await onlooker.publish(f"{BASE}device/{name}", b"", retain=True)
                await asyncio.sleep(0.01)

    emptying = asyncio.create_task(empty())
    try:
        await asyncio.sleep(0.2)
        rig.notices.tell("event", {"code": "heard"})
        assert json.loads(await hear(onlooker, "event", 1.0)) == {"code": "heard"}
    finally:
        heard = True  # a cancellation can get lost in the client
        await emptying


async def test_nothing_is_said_twice(rig: MqttRig, onlooker: aiomqtt.Client) -> None:
    rig.notices.put("device/lamp", {"level": 0.4, "seq": 1})
    await asyncio.sleep(0.2)
    for seq in range(2, 20):
        rig.notices.put("device/lamp", {"level": 0.4, "seq": seq})
    for level in (0.5, 0.4):  # there and back within one pause: nothing to say
        rig.notices.put("device/lamp", {"level": level, "seq": 30})
    rig.notices.tell("event", {"code": "end"})
    heard: list[bytes] = []
    async with asyncio.timeout(120):
        async for message in onlooker.messages:
            topic = str(message.topic)
            if topic == BASE + "device/lamp":
                heard.append(bytes(message.payload))
            elif topic == BASE + "event":
                break
    await asyncio.sleep(0.2)
    assert [json.loads(payload)["level"] for payload in heard][:1] == [0.4]
    assert len(heard) <= 3


async def test_readings_and_events_come_each_and_in_order(rig: MqttRig, onlooker: aiomqtt.Client) -> None:
    for index in range(300):
        rig.notices.tell("reading", {"run": "r-1", "idx": index})
    got = [json.loads(await hear(onlooker, "reading"))["idx"] for _ in range(300)]
    assert got == list(range(300))


async def test_what_is_not_finite_is_null_with_a_note(rig: MqttRig, onlooker: aiomqtt.Client) -> None:
    rig.notices.put("device/meter", {"value": float("nan"), "deep": [{"x": float("inf")}], "ok": 1.5})
    document = json.loads(await hear(onlooker, "device/meter"))
    assert document == {"value": None, "deep": [{"x": None}], "ok": 1.5, "note": document["note"]}
    assert "value is not finite" in document["note"]
    assert "deep[0].x is not finite" in document["note"]


async def test_a_document_that_cannot_be_said_stops_nothing(rig: MqttRig, onlooker: aiomqtt.Client) -> None:
    rig.notices.put("device/odd", {"value": object()})
    rig.notices.put("device/huge", {"value": "x" * 300_000})
    rig.notices.put("device/after", {"value": 1})
    assert json.loads(await hear(onlooker, "device/after")) == {"value": 1}


async def test_emptied_topics_are_sent_again(rig: MqttRig, broker: EmbeddedBroker) -> None:
    """With some brokers any empty message clears what is retained, and anybody may send one."""
    rig.notices.put("device/carriage", {"state": "idle"})
    await asyncio.sleep(0.2)
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as stranger:
        for topic in ("online", "device/carriage", "control"):
            await stranger.publish(BASE + topic, b"", qos=1, retain=True)
            await stranger.publish(BASE + topic, b"", qos=1)
        await stranger.publish(BASE + "device/nobodys", b"", qos=1, retain=True)
    async with asyncio.timeout(120.0):
        while not {"online", "control", "device/carriage"} <= set(found := await retained(broker)):
            pass
    assert found["online"] == b"true"
    assert json.loads(found["device/carriage"]) == {"state": "idle"}
    assert "control" in found
    assert "device/nobodys" not in found


async def test_online_is_false_after_a_proper_end(rig: MqttRig, broker: EmbeddedBroker) -> None:
    await rig.__aexit__()
    assert (await retained(broker))["online"] == b"false"
    await rig.__aenter__()
    assert (await retained(broker))["online"] == b"true"


async def test_on_line_means_that_what_is_kept_is_of_this_start(broker: EmbeddedBroker) -> None:
    """A broker elsewhere outlives the daemon, and keeps the beat of the last start until the next has told its own."""
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as onlooker:
        await onlooker.publish(BASE + "online", b"false", qos=1, retain=True)
        await onlooker.publish(BASE + "beat", b'{"beat": "0ld0ne-7"}', qos=1, retain=True)
        await onlooker.subscribe(BASE + "#")
        async with MqttRig(lambda: broker.endpoint) as rig, asyncio.timeout(120.0):
            heard: dict[str, bytes] = {}
            async for message in onlooker.messages:
                heard[str(message.topic)[len(BASE) :]] = bytes(message.payload)
                if heard.get("online") == b"true":
                    break
            assert json.loads(heard["beat"])["beat"].startswith(rig.beat.epoch + "-")


async def test_last_will_of_a_killed_daemon_says_offline(broker: EmbeddedBroker) -> None:
    script = textwrap.dedent(f"""
        import asyncio
        from benchd.files.broker_account import Account
        from benchd.mqtt.connection import Endpoint
        from benchd.testing.mqtt_rig import MqttRig
        async def main():
            async with MqttRig(lambda: {broker.endpoint!r}):
                await asyncio.sleep(60)
        asyncio.run(main())
    """)
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as onlooker:
        await onlooker.subscribe(BASE + "online")
        daemon = await asyncio.create_subprocess_exec(sys.executable, "-c", script)
        assert await hear(onlooker, "online", 20) == b"true"
        daemon.kill()
        await daemon.wait()
        assert await hear(onlooker, "online") == b"false"
    assert (await retained(broker))["online"] == b"false"


async def test_late_will_of_an_earlier_connection_is_put_right(
    rig: MqttRig, broker: EmbeddedBroker, onlooker: aiomqtt.Client
) -> None:
    """A connection that hung for a while is declared dead by the broker when the next one works already."""
    assert await hear(onlooker, "online") == b"true"
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as broker_side:
        await broker_side.publish(BASE + "online", b"false", qos=1, retain=True)
    assert await hear(onlooker, "online") == b"false"
    assert await hear(onlooker, "online") == b"true"
    assert (await retained(broker))["online"] == b"true"


async def test_what_an_earlier_connection_told_late_does_not_stand(
    rig: MqttRig, broker: EmbeddedBroker, onlooker: aiomqtt.Client
) -> None:
    """What was under way as it hung comes before its last will. With `online` all is as it is now."""
    rig.notices.put("device/carriage", {"homed": False})
    assert await hear(onlooker, "online") == b"true"
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as earlier:
        await earlier.publish(BASE + "device/carriage", b'{"homed":true}', qos=1, retain=True)
        await earlier.publish(BASE + "online", b"false", qos=1, retain=True)
    assert await hear(onlooker, "online") == b"false"
    assert await hear(onlooker, "online") == b"true"
    assert json.loads((await retained(broker))["device/carriage"]) == {"homed": False}


async def test_everything_is_back_soon_after_the_broker(rig: MqttRig, broker: EmbeddedBroker) -> None:
    """With the watchdog at work: the broker is killed, its memory is gone."""
    for index in range(50):
        rig.notices.put(f"device/d{index}", {"n": index})
    await asyncio.sleep(0.2)
    back: asyncio.Queue[str] = asyncio.Queue()
    watching = asyncio.create_task(Watchdog(broker, Clock(), back.put_nowait).run())
    await asyncio.sleep(0)
    rig.notices.put("setup", {"rev": 1})
    assert broker.pid is not None
    os.kill(broker.pid, signal.SIGKILL)
    rig.notices.put("setup", {"rev": 2})
    async with asyncio.timeout(120):
        await back.get()
    began = time.monotonic()
    await rig.up()
    while "device/d49" not in (found := await retained(broker, 0.25)):
        assert time.monotonic() - began < 20.0
    assert found["online"] == b"true"
    assert json.loads(found["setup"]) == {"rev": 2}
    assert sum(topic.startswith("device/") for topic in found) == 50
    watching.cancel()
    await asyncio.wait({watching})


async def test_an_outage_takes_two_log_lines(
    rig: MqttRig, broker: EmbeddedBroker, caplog: pytest.LogCaptureFixture
) -> None:
    """However long it lasts and however often it is tried again."""
    caplog.set_level("INFO", logger="benchd")
    caplog.clear()
    await broker.stop()
    await asyncio.sleep(3.5)
    await broker.start()
    await rig.up()
    lines = [record.getMessage() for record in caplog.records if record.name == "benchd.mqtt.keep_connected"]
    assert len(lines) == 2, lines
    assert any("again after" in line for line in lines)
    others = [
        record
        for record in caplog.records
        if record.name not in ("benchd.mqtt.keep_connected", "benchd.broker.embedded")
    ]
    assert others == []


async def test_stop_is_heard_again_after_the_broker_came_back(rig: MqttRig, broker: EmbeddedBroker) -> None:
    await broker.restart()
    await asyncio.sleep(0.05)
    async with asyncio.timeout(120):
        while not rig.stops:
            await rig.up()
            async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as client:
                await client.publish(BASE + "command/me/stop", b"", qos=1)
            await asyncio.sleep(0.1)


async def test_what_an_earlier_start_left_is_cleared(rig: MqttRig, broker: EmbeddedBroker) -> None:
    """A broker that outlives the daemon went on showing the finding of a lens, and a device, that were gone since."""
    rig.notices.put("finding/bench_zero", {"finding": "f-1"})
    await rig.__aexit__()
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as earlier:
        for topic in ("finding/flange", "finding/bench_zero", "device/gone"):
            await earlier.publish(BASE + topic, b'{"of": "before"}', qos=1, retain=True)
        await earlier.publish("benchd/south-rail/device/there", b"{}", qos=1, retain=True)
    await rig.__aenter__()
    await asyncio.sleep(0.2)
    found = await retained(broker)
    assert json.loads(found["finding/bench_zero"]) == {"finding": "f-1"}
    assert "finding/flange" not in found
    assert "device/gone" not in found
    async with aiomqtt.Client("127.0.0.1", broker.ports.v4) as client:
        await client.subscribe("benchd/south-rail/#")
        async with asyncio.timeout(120):
            assert (await anext(client.messages)).payload == b"{}"
    assert rig.done == []
