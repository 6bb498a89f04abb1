"""Commands over the real brokers, sent by third parties: paho-mqtt and the mosquitto command line clients."""

from __future__ import annotations

import asyncio
import json
import shutil
import threading
import time
from collections.abc import AsyncIterator
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchd.broker.embedded import EmbeddedBroker
from benchd.commands.intake import Request
from benchd.mqtt.retained import RetainedMessages
from benchd.testing.mqtt_rig import MqttRig, until
from benchd.verbs.stop import StopArgs

Json = dict[str, Any]


class Stranger:
    """A paho client in its own thread; what it hears comes to the loop by topic."""

    def __init__(self, port: int, version: int) -> None:
        self._loop = asyncio.get_running_loop()
        self.heard: list[tuple[str, bytes, bool, Any]] = []
        self.news = asyncio.Event()
        self.version = version
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion(version))
        self.client.on_message = self._on_message
        self._subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        self._loop.call_soon_threadsafe(self._hear, message)

    def _hear(self, message: paho.MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload), message.retain, getattr(message, "properties", None)))
        self.news.set()

    async def subscribe(self, topic: str) -> None:
        self._subscribed.clear()
        self.client.subscribe(topic, qos=0)
        assert await asyncio.to_thread(self._subscribed.wait, 5)

    async def publish(self, topic: str, payload: bytes | Json, **options: Any) -> None:
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        info = self.client.publish(topic, raw, qos=1, **options)
        await asyncio.to_thread(info.wait_for_publish, 5)

    async def until(self, topic: str, wanted: Any = lambda _: True, timeout_s: float = 5.0) -> bytes:
        """The first message heard on `topic` that is wanted; it and all before it are forgotten."""
        async with asyncio.timeout(timeout_s):
            while True:
                for index, (where, payload, _, _) in enumerate(self.heard):
                    if where == topic and wanted(payload):
                        del self.heard[: index + 1]
                        return payload
                self.news.clear()
                await self.news.wait()

    async def reply(self, user: str = "alice") -> Json:
        document: Json = json.loads(await self.until(f"benchd/north-rail/reply/{user}"))
        return document

    async def ask(self, verb: str, payload: bytes | Json, user: str = "alice", **options: Any) -> Json:
        await self.publish(f"benchd/north-rail/command/{user}/{verb}", payload, **options)
        return await self.reply(user)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        self.client.on_message = self.client.on_subscribe = None
        del self.client  # with the last reference it closes the pair of sockets that woke its thread


@pytest.fixture(params=[paho.MQTTv311, paho.MQTTv5], ids=["v311", "v5"])
async def stranger(rig: MqttRig, broker: EmbeddedBroker, request: pytest.FixtureRequest) -> AsyncIterator[Stranger]:
    ports = broker.ports
    one = Stranger(ports.v4 if request.param == paho.MQTTv311 else ports.v5, request.param)
    await one.subscribe("benchd/north-rail/reply/+")
    await one.subscribe("benchd/north-rail/event")
    yield one
    one.close()


async def with_control(rig: MqttRig, stranger: Stranger) -> None:
    assert (await stranger.ask("take", {"id": "take-it"}))["ok"]


def code(reply: Json) -> str:
    assert reply["ok"] is False
    assert set(reply["error"]) == {"code", "text", "advice", "data"}
    return str(reply["error"]["code"])


async def test_move_is_carried_out_with_control_and_beat(rig: MqttRig, stranger: Stranger) -> None:
    move = {"id": "m1", "beat": rig.beat.current, "args": {"offset_um": 12.5}}
    assert code(await stranger.ask("move", move)) == "not_holder"
    await with_control(rig, stranger)
    reply = await stranger.ask("move", {**move, "id": "m2"})
    assert reply == {"id": "m2", "ok": True, "result": {"did": "move"}}
    (request,) = rig.done
    assert (request.user, request.verb, request.args.offset_um) == ("alice", "move", 12.5)


async def test_each_refusal_has_its_code_and_leaves_the_bench_alone(rig: MqttRig, stranger: Stranger) -> None:
    await with_control(rig, stranger)
    beat = rig.beat.current
    await asyncio.sleep(0)
    cases: list[tuple[str, bytes | Json, str]] = [
        ("move", {"id": "a1", "args": {"by_um": 1}}, "stale"),
        ("move", {"id": "a2", "beat": "zzzzzz-1", "args": {"by_um": 1}}, "stale"),
        ("move", {"id": "a3", "beat": f"{rig.beat.epoch}-999999", "args": {"by_um": 1}}, "stale"),
        ("light", {"id": "a4", "beat": "zzzzzz-1", "args": {"level": 0.5}}, "stale"),
        ("move", {"id": "a5", "beat": beat, "args": {"by_um": 1, "offset_um": 2}}, "bad_request"),
        ("move", {"id": "a6", "beat": beat, "args": {"by_um": "1"}}, "bad_request"),
        ("move", {"id": "a7", "beat": beat, "args": {"by_um": 1, "speed": 2}}, "bad_request"),
        ("move", {"id": "a8", "beat": beat, "args": {"by_um": 1}, "when": "now"}, "bad_request"),
        ("move", {"beat": beat, "args": {"by_um": 1}}, "bad_request"),
        ("move", b'{"id":"a9","args":{"by_um":NaN}}', "bad_request"),
        ("move", b'{"id":"b1","args":{"by_um":1e400}}', "bad_request"),
        ("move", b'{"id":"b2","id":"b3","args":{}}', "bad_request"),
        ("move", b"", "bad_request"),
        ("move", b"null", "bad_request"),
        ("move", b"\xff\xfe{}", "bad_request"),
        ("move", b"[1,2", "bad_request"),
        ("move", b"[" * 17 + b"]" * 17, "too_large"),
        ("move", b'{"id":"b4","args":{"a":"' + b"x" * 17000 + b'"}}', "too_large"),
        ("levitate", {"id": "b5", "beat": beat}, "unknown_verb"),
        ("jog", {"id": "b6", "beat": beat}, "bad_request"),
    ]
    for verb, payload, expected in cases:
        assert code(await stranger.ask(verb, payload)) == expected, (verb, payload)
    assert rig.done == []


async def test_old_beat_is_stale(rig: MqttRig, stranger: Stranger) -> None:
    """What waited in a queue moves nothing, though it is of the same epoch."""
    await with_control(rig, stranger)
    beat = rig.beat.current
    await asyncio.sleep(3.2)
    assert code(await stranger.ask("move", {"id": "late", "beat": beat, "args": {"by_um": 1}})) == "stale"
    young = {"id": "young", "beat": rig.beat.current, "args": {"by_um": 1}}
    assert (await stranger.ask("move", young))["ok"]
    assert [request.id for request in rig.done] == ["young"]


async def test_a_move_typed_before_a_stop_and_delivered_after_it_moves_nothing(
    rig: MqttRig, stranger: Stranger
) -> None:
    """Its beat was young enough, so it was carried out to its end 0.3 s after somebody had said stop."""
    await with_control(rig, stranger)
    beat = rig.beat.current
    assert (await stranger.ask("stop", b"", user="wall"))["ok"]
    await asyncio.sleep(0.3)
    reply = await stranger.ask("move", {"id": "before", "beat": beat, "args": {"by_um": 1}})
    assert code(reply) == "stale"
    assert reply["error"]["text"] == "A stop came after this was asked for; nothing moved."
    assert rig.done == []
    young = {"id": "after", "beat": rig.beat.current, "args": {"by_um": 1}}
    assert (await stranger.ask("move", young))["ok"], "a new beat is there long before the second is over"


async def test_what_was_sent_before_a_stop_is_not_begun_after_it_whichever_is_read_first(
    rig: MqttRig, stranger: Stranger
) -> None:
    """Stops have a connection of their own: with both unread, a stop may be read before the move sent before it."""
    await with_control(rig, stranger)
    begun_s: list[float] = []

    async def move(request: Request) -> dict[str, Any]:
        begun_s.append(rig.clock.monotonic())
        return {}

    rig.intake._handlers["move"] = move
    stale = 0
    for turn in range(20):
        before = {"id": f"before-{turn}", "beat": rig.beat.current, "args": {"by_um": 1}}
        stranger.client.publish("benchd/north-rail/command/alice/move", json.dumps(before), qos=1)
        stranger.client.publish("benchd/north-rail/command/alice/stop", b"", qos=1)
        time.sleep(0.05)  # noqa: ASYNC251 nothing is to be read until both have arrived
        answers = {one["id"]: one for one in (await stranger.reply(), await stranger.reply())}
        stopped = answers[None]["result"]
        stale += not answers[before["id"]]["ok"]
        assert all(begun < rig.stopped_s for begun in begun_s), turn
        assert len(begun_s) + stale == 2 * turn + 1, turn
        after = {"id": f"after-{turn}", "beat": stopped["beat"], "args": {"by_um": 1}}
        assert (await stranger.ask("move", after))["ok"], "whoever has stopped may go on at once"


async def test_refusals_are_events_too(rig: MqttRig, stranger: Stranger) -> None:
    await stranger.publish("benchd/north-rail/command/alice/home", {"id": "h1", "args": {}})
    event = json.loads(await stranger.until("benchd/north-rail/event"))
    assert (event["code"], event["cause"], event["severity"]) == ("stale", "h1", "warning")
    assert event["data"]["user"] == "alice"
    assert set(event) == {"t", "code", "severity", "text", "advice", "data", "cause"}


async def test_same_id_is_carried_out_once(rig: MqttRig, stranger: Stranger) -> None:
    light = {"id": "l1", "args": {"level": 0.5}}
    replies = [await stranger.ask("light", light) for _ in range(5)]
    assert replies[0]["ok"]
    assert [code(reply) for reply in replies[1:]] == ["duplicate"] * 4
    assert len(rig.done) == 1


async def test_second_user_is_refused_by_name_and_told_to_the_holder(rig: MqttRig, stranger: Stranger) -> None:
    await with_control(rig, stranger)
    reply = await stranger.ask("take", {"id": "t1"}, user="wall")
    assert code(reply) == "not_holder"
    assert reply["error"]["data"]["holder"] == "alice"
    assert (await stranger.ask("release", {"id": "r1", "args": {"to": "wall"}}))["result"] == {"holder": "wall"}
    beat = rig.beat.current
    assert code(await stranger.ask("move", {"id": "x", "beat": beat, "args": {"by_um": 1}})) == "not_holder"
    assert rig.done == []


async def test_retained_command_is_refused_or_met_once_and_cleared(
    rig: MqttRig, broker: EmbeddedBroker, stranger: Stranger
) -> None:
    """A live message keeps its flag with some brokers only; the stored copy is cleared with all."""
    topic = "benchd/north-rail/command/alice/light"
    reply = await stranger.ask("light", {"id": "kept", "args": {"level": 1}}, retain=True)
    if broker.child == "mosquitto":
        assert code(reply) == "retained"
        assert rig.done == []
    await rig.__aexit__()
    await rig.__aenter__()
    await asyncio.sleep(0.3)
    assert len(rig.done) <= 1
    late = Stranger(broker.ports.v4, paho.MQTTv311)
    await late.subscribe("benchd/north-rail/command/#")
    await asyncio.sleep(0.3)
    assert [heard for heard in late.heard if heard[0] == topic] == []
    late.close()


async def test_command_retained_while_benchd_was_away(rig: MqttRig, broker: EmbeddedBroker, stranger: Stranger) -> None:
    await rig.__aexit__()
    for verb in ("light", "stop", "move"):
        await stranger.publish(f"benchd/north-rail/command/alice/{verb}", {"id": "w", "args": {}}, retain=True)
    await rig.__aenter__()
    await asyncio.sleep(0.5)
    assert rig.done == []
    assert rig.stops == [], "a stored stop, or the clearing of one, is nobody's stop"
    late = Stranger(broker.ports.v5, paho.MQTTv5)
    await late.subscribe("benchd/north-rail/command/#")
    await asyncio.sleep(0.3)
    assert late.heard == []
    late.close()


async def test_odd_topics_do_no_harm(rig: MqttRig, stranger: Stranger) -> None:
    for odd in ("Alice/move", "a b/move", "/move", "alice/", "alice/Move", "alice/move/on", "x" * 33 + "/move"):
        await stranger.publish(f"benchd/north-rail/command/{odd}", {"id": "o", "beat": rig.beat.current})
    await stranger.publish("benchd/north-rail/command", {"id": "o"})
    assert (await stranger.ask("light", {"id": "after", "args": {"on": True}}))["ok"]
    assert [request.id for request in rig.done] == ["after"]


@pytest.mark.parametrize("payload", [b"", b"{}", b"\xff\xfe", b"null", b'{"args":{"axis":"carriage"}}', b"[" * 9999])
async def test_stop_needs_nothing(rig: MqttRig, stranger: Stranger, payload: bytes) -> None:
    reply = await stranger.ask("stop", payload, user="anybody")
    assert reply["ok"]
    assert reply["result"] == {"beat": rig.beat.current}
    assert rig.stops == [("anybody", StopArgs(axis="carriage") if b"axis" in payload else StopArgs())]
    assert rig.done == []


async def test_retained_stop_stops_while_somebody_asks_for_it(rig: MqttRig, stranger: Stranger) -> None:
    assert (await stranger.ask("stop", b"{}", retain=True))["ok"]
    assert rig.stops == [("alice", StopArgs())]


async def test_response_topic_and_correlation(rig: MqttRig, stranger: Stranger) -> None:
    if stranger.version != paho.MQTTv5:
        return
    await stranger.subscribe("replies/me")
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ResponseTopic = "replies/me"
    properties.CorrelationData = b"\x01\x02"
    await stranger.publish(
        "benchd/north-rail/command/alice/light", {"id": "c1", "args": {"level": 0}}, properties=properties
    )
    async with asyncio.timeout(5):
        while not any(topic == "replies/me" for topic, *_ in stranger.heard):
            stranger.news.clear()
            await stranger.news.wait()
    (given,) = [entry for entry in stranger.heard if entry[0] == "replies/me"]
    assert json.loads(given[1]) == {"id": "c1", "ok": True, "result": {"did": "light"}}
    assert given[3].CorrelationData == b"\x01\x02"


@pytest.mark.parametrize("place", ["benchd/north-rail/command/bob/stop", "benchd/north-rail/online", "benchd/other/x"])
async def test_response_topic_cannot_borrow_the_daemons_rights(rig: MqttRig, stranger: Stranger, place: str) -> None:
    if stranger.version != paho.MQTTv5:
        return
    await stranger.subscribe(place)
    await asyncio.sleep(0.1)
    stranger.heard.clear()
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ResponseTopic = place
    await stranger.publish(
        "benchd/north-rail/command/alice/light", {"id": "c2", "args": {"level": 0}}, properties=properties
    )
    assert (await stranger.reply())["id"] == "c2"
    await asyncio.sleep(0.2)
    assert place not in [topic for topic, *_ in stranger.heard]
    assert rig.stops == []


@pytest.mark.parametrize("version", ["mqttv311", "mqttv5"])
async def test_mosquitto_clients_stop_and_see(rig: MqttRig, broker: EmbeddedBroker, version: str) -> None:
    tool, sub = shutil.which("mosquitto_pub"), shutil.which("mosquitto_sub")
    assert tool, "mosquitto-clients is needed for this test"
    assert sub
    port = str(broker.ports.v4 if version == "mqttv311" else broker.ports.v5)
    common = ["-h", "127.0.0.1", "-p", port, "-V", version]
    stop = await asyncio.create_subprocess_exec(
        tool, *common, "-q", "1", "-t", "benchd/north-rail/command/me/stop", "-n"
    )
    assert await stop.wait() == 0
    await until(lambda: bool(rig.stops))
    assert rig.stops == [("me", StopArgs())]
    rig.notices.put("device/carriage", {"state": "idle", "carriage_um": 9341.5})
    await asyncio.sleep(0.2)
    look = await asyncio.create_subprocess_exec(
        sub, *common, "-t", "benchd/north-rail/device/carriage", "-C", "1", "-W", "5", stdout=asyncio.subprocess.PIPE
    )
    out, _ = await look.communicate()
    assert json.loads(out) == {"state": "idle", "carriage_um": 9341.5}


async def test_stops_in_a_row_are_not_held_up(rig: MqttRig, stranger: Stranger) -> None:
    """A sender of small packets that waits for acknowledgements (RFC 896) loses 40 ms to a receiver that delays them
    (RFC 1122, 4.2.3.2); the broker may be such a sender, so our side must not delay."""
    quick = 0
    for _ in range(40):
        rig.stops.clear()
        began = time.monotonic()
        stranger.client.publish("benchd/north-rail/command/me/stop", b"", qos=1)
        await until(lambda: bool(rig.stops))
        quick += time.monotonic() - began < 0.02
        await asyncio.sleep(0.005)
    assert quick > 10, "delayed, two at most are quick; a busy machine delays some"


async def test_in_a_flood_of_stops_the_last_one_is_begun_once_there_is_room(rig: MqttRig, stranger: Stranger) -> None:
    """More stops than are carried out side by side: what the last one is to stop may have begun after the others."""
    let = asyncio.Event()

    async def hang() -> None:
        await let.wait()

    rig.while_stopping = hang
    for _ in range(40):
        stranger.client.publish("benchd/north-rail/command/me/stop", b"", qos=1)
    await heard_out(stranger)
    begun = len(rig.stops)
    assert begun < 40, "they are carried out side by side, so many and no more"
    let.set()
    await until(lambda: len(rig.stops) > begun)
    rig.while_stopping = None
    assert (await stranger.ask("stop", b"", user="me"))["ok"]


async def heard_out(stranger: Stranger) -> None:
    """Return when the broker has given out all that was sent before."""
    await stranger.publish("benchd/north-rail/command/alice/note", {"id": "last", "args": {"run": "r-1", "text": "x"}})
    await stranger.until("benchd/north-rail/reply/alice")
    await asyncio.sleep(0.3)


async def test_a_stop_that_raises_is_told_and_the_next_one_is_heard(rig: MqttRig, stranger: Stranger) -> None:
    """Whatever a driver raises on the stop's road: who asked is told to use the emergency stop, and the road stands."""

    async def raises() -> None:
        raise OSError("the port is gone")

    rig.while_stopping = raises
    for turn in range(3):
        reply = await stranger.ask("stop", {"id": f"s{turn}"}, user="me")
        assert reply["id"] == f"s{turn}"
        assert code(reply) == "device_fault"
        assert "emergency stop" in reply["error"]["advice"]
    # The reply and the event take two connections, and either may be first: none of them is forgotten here.
    stranger.heard.clear()
    await stranger.publish("benchd/north-rail/command/me/stop", {"id": "s3"})
    wanted = {"benchd/north-rail/reply/me", "benchd/north-rail/event"}
    async with asyncio.timeout(5.0):
        while not wanted <= {topic for topic, *_ in stranger.heard}:
            stranger.news.clear()
            await stranger.news.wait()
    event = next(json.loads(payload) for topic, payload, *_ in stranger.heard if topic.endswith("/event"))
    assert (event["code"], event["severity"]) == ("device_fault", "error")
    stranger.heard.clear()
    rig.while_stopping = None
    assert (await stranger.ask("stop", b"", user="me"))["ok"]
    assert len(rig.stops) == 5
    assert rig.stop_connection.ready.is_set()


async def test_what_was_left_retained_is_found_at_the_connect_and_told(
    rig: MqttRig, broker: EmbeddedBroker, stranger: Stranger
) -> None:
    """Not left to its delivery, which a broker may keep back for good (as asked of it) or give out unflagged."""
    await rig.__aexit__()
    topics = {f"benchd/north-rail/command/alice/{verb}" for verb in ("home", "light", "stop")}
    for topic in topics:
        order = {"id": topic, "beat": rig.beat.current, "args": {}}
        await stranger.publish(topic, order, retain=True)
    found = await rig_clearing(rig, broker)
    assert set(found) == topics
    assert await rig_clearing(rig, broker) == []
    await rig.__aenter__()
    assert rig.stops == []
    assert rig.done == []


async def rig_clearing(rig: MqttRig, broker: EmbeddedBroker) -> list[str]:
    """What the look at a connect finds."""
    return await RetainedMessages(rig.topics).sweep(broker.endpoint, ())
