"""Every message of a morning at a bench, held against the AsyncAPI document: topic, payload, QoS, kept or not.

Heard by mosquitto_sub over the bench's own broker and judged by jsonschema: no line of benchd's lies in between.
"""

from __future__ import annotations

import asyncio
import copy
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.errors import BenchdError
from stack import Stack
from technician import Technician
from tests.other_clients import end
from tests.stack.conftest import PACE, SEED, person
from tests.stack.described import Described, Message

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"
REST_S = 0.5
OUT = -90_000.0


@dataclass
class Morning:
    """All that was heard, in order, and the topics of what a late listener is given."""

    bench: str
    heard: list[Message] = field(default_factory=list)
    kept: set[str] = field(default_factory=set)

    def on(self, below: str) -> list[Message]:
        """What was heard on a topic of the bench."""
        return [message for message in self.heard if message.topic == f"benchd/{self.bench}/{below}"]

    def one(self, below: str) -> tuple[Message, Any]:
        """The last on a topic that was not empty, and what it says."""
        message = next(message for message in reversed(self.on(below)) if message.payload)
        return message, json.loads(message.payload)


def _at(stack: Stack) -> list[str]:
    return ["-h", "127.0.0.1", "-p", str(stack.ports["listeners"]["v5"]), "-V", "mqttv5", "-q", "1"]


@asynccontextmanager
async def listening(stack: Stack, morning: Morning) -> AsyncIterator[None]:
    """Everything that anybody publishes at the bench, until the block ends."""
    process = await asyncio.create_subprocess_exec(
        "mosquitto_sub", *_at(stack), "-F", "%t %q %p", "-t", "benchd/#", stdout=asyncio.subprocess.PIPE, limit=2**20
    )
    assert process.stdout is not None
    begun = asyncio.Event()

    async def read(lines: asyncio.StreamReader) -> None:
        async for line in lines:
            topic, qos, payload = line.rstrip(b"\n").split(b" ", 2)
            morning.heard.append(Message(topic.decode(), payload, int(qos)))
            begun.set()

    reading = asyncio.create_task(read(process.stdout))
    try:
        await asyncio.wait_for(begun.wait(), 20.0)
        yield
    finally:
        await end(process)
        await reading


async def late(stack: Stack) -> set[str]:
    """The topics of what is kept for whoever comes late."""
    process = await asyncio.create_subprocess_exec(
        "mosquitto_sub", *_at(stack), "-F", "%t", "-t", "benchd/#", "--retained-only", "-W", "2",
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    out, _ = await process.communicate()
    return set(out.decode().split())


async def say(stack: Stack, verb: str, text: str) -> None:
    """A message as somebody types it."""
    topic = f"benchd/{stack.ports['bench']}/command/typist/{verb}"
    process = await asyncio.create_subprocess_exec("mosquitto_pub", *_at(stack), "-t", topic, "-m", text)
    assert await process.wait() == 0


async def mistakes(stack: Stack, client: BenchClient) -> None:
    """What is refused, each for another reason."""
    asked: list[tuple[str, bool, dict[str, Any]]] = [
        ("levitate", True, {}),
        ("nominal", True, {}),
        ("move", False, {"by_um": 100.0}),
        ("move", True, {"by_um": 100.0, "carriage_um": 5.0}),
        ("light", False, {"light": "target_light", "level": 2.0}),
        ("setup", False, {"set": {"lens": "L-9999"}}),
        ("setup", False, {"set": {"ring": "infinity"}, "rev": 99}),
        ("run", True, {"procedure": "flange_check", "inputs": {}}),
        ("read", False, {"device": "nose"}),
        ("answer", False, {"ask": "a-0", "value": True}),
    ]
    for verb, beat, args in asked:
        with pytest.raises(BenchdError):
            await client.command(verb, beat=beat, **args)
    for text in ("{", "[1]", '{"id": 7}', '{"id": "x", "args": {"axis": "carriage", "axis": "turn"}}'):
        await say(stack, "home", text)
    await say(stack, "stop", "halt")
    beats = client.watch("beat")
    for _ in range(3):  # the kept one, one that may have been drawn before the stop came, and one after it
        await anext(beats)


async def every_verb(client: BenchClient, technician: Technician) -> None:
    """A calibration, a check, and whatever verb they do not need."""
    await technician.calibrate([RING])
    await technician.check(LENS, [RING], [PANE])
    await client.do("home", axes=["carriage"])
    await client.do("nominal")
    await client.do("move", carriage_um=5000.0)
    with pytest.raises(BenchdError):
        await client.command("move", carriage_um=OUT)
    async with client.holding(speed_um_s=40.0):
        await asyncio.sleep(0.3)
    await client.command("light", beat=False, light="target_light", level=0.4)
    await client.command("read", beat=False, device="position")
    await client.command("magnification", beat=False, only_if_marked=True)
    await client.command("camera", beat=False, exposure_ms=20.0)
    await client.do("nominal")
    await client.do("sweep", merit="edge")
    inputs = {"lens": LENS, "adapters": [RING], "glass": [PANE], "distance_mm": 5000.0, "repeats": 3}
    await client.command("run", beat=False, procedure="flange_check", inputs=inputs, dry=True)
    run = await client.run("flange_check", inputs)
    await client.command("pause", beat=False, run=run)
    await client.command("note", beat=False, run=run, text="A cloth lay on the rail.")
    await client.command("resume", run=run)
    await client.command("abort", beat=False, run=run)
    async for state in client.follow(run):
        if state["state"] == "aborted":
            break
    base = await client.kept("finding/bench_zero")
    await client.command("accept", beat=False, finding=base["finding"], days=7)
    await client.command("withdraw", beat=False, artefact="ring-07", why="The ring has been turned down.")
    await client.command("setup", beat=False, set={"lens": None, "glass": []})
    await client.command("record", beat=False, kind="lens", id="L-0417", set={"owner": "house"}, was={"f_number": 2.0})
    await client.stop("carriage")
    await client.stop()
    await client.command("release", beat=False)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def morning() -> Morning:
    async with Stack(seed=SEED, pace=PACE) as stack:
        morning = Morning(stack.ports["bench"])
        async with listening(stack, morning):
            async with person(stack) as (client, technician):
                await mistakes(stack, client)
                await every_verb(client, technician)
                await asyncio.sleep(REST_S)
                morning.kept = await late(stack)
            assert await stack.end("daemon") == 0
    return morning


async def test_every_message_is_as_described(morning: Morning) -> None:
    described = Described()
    wrong = {problem for message in morning.heard if (problem := described.problem(message)) is not None}
    assert not wrong, "\n".join(sorted(wrong))
    # Nothing is described that was not heard: each topic, and each verb once taken.
    heard = {described.channel_of(message.topic) for message in morning.heard} - {None}
    assert heard == set(described.document["channels"])
    taken = {name for name in described.document["operations"] if name.startswith("command_")}
    assert described.accepted == taken
    codes = {json.loads(message.payload).get("error", {}).get("code") for message in morning.on("reply/technician")}
    assert codes >= {"unknown_verb", "not_driven", "stale", "bad_request", "unknown_name", "rev_conflict", "limit"}


async def test_qos_is_as_described(morning: Morning) -> None:
    """Over mosquitto: the other broker hands everything on at the listener's own QoS."""
    described = Described()
    heard = {(described.channel_of(message.topic), message.qos) for message in morning.heard}
    sent = {(name, qos) for name, qos in heard if name and not name.startswith("command_")}
    assert sent == {(name, described.bindings(name)["qos"]) for name, _ in sent}


async def test_what_is_kept_is_what_is_described_as_kept(morning: Morning) -> None:
    described = Described()
    channels = {message.topic: described.channel_of(message.topic) for message in morning.heard}
    kept = {topic for topic, channel in channels.items() if channel and described.bindings(channel)["retain"]}
    assert morning.kept == kept - {f"benchd/{morning.bench}/finding/flange"}, "taken back with its lens"
    assert morning.on("finding/flange")[-1].payload == b""


Damage = Callable[[Any], Any]


def put(*path: str | int, value: Any) -> Damage:
    """The document with another value at a place."""

    def damage(document: Any) -> Any:
        *way, last = path
        part = document
        for key in way:
            part = part[key]
        part[last] = value
        return document

    return damage


DAMAGES: list[tuple[str, Damage]] = [
    ("online", lambda _: "true"),
    ("beat", put("beat", value=1842)),
    ("about", put("devices", "position", "kind", value="ruler")),
    ("about", put("devices", "carriage", "spec", "travel", value=[0, 1])),
    ("about", put("procedures", "flange_check", "inputs", "lens", "type", value="lenses")),
    ("device/carriage", put("state", value="asleep")),
    ("device/carriage", put("carriage_um", value="9341.5")),
    ("device/carriage", put("limits_um", value=[0.0])),
    ("device/target_light", put("value", value="bright")),
    ("setup", put("chain", 0, "u_um", value="small")),
    ("setup", put("ring", value="closed")),
    ("control", put("idle_s", value=2.5)),
    ("procedure", put("progress", value=1.01)),
    ("procedure", put("ask", value="Lens seated?")),
    ("reading", put("quality", value="fair")),
    ("finding/flange", put("budgets", "focus_error", 0, "type", value="C")),
    ("finding/flange", put("verdict", "p_conform", value=97.5)),
    ("finding/flange", put("readings", "indices", value=[0, 1, 2])),
    ("event", put("severity", value="grave")),
    ("reply/typist", put("error", value={})),
]


@pytest.mark.parametrize(("below", "damage"), DAMAGES)
async def test_a_damaged_message_is_not_as_described(morning: Morning, below: str, damage: Damage) -> None:
    message, document = morning.one(below)
    described = Described()
    assert described.problem(message) is None
    damaged = json.dumps(damage(copy.deepcopy(document))).encode()
    assert described.problem(replace(message, payload=damaged)) is not None


MAY_BE_LEFT_OUT = {"more_readings"}


async def test_no_key_can_be_missing_or_added(morning: Morning) -> None:
    described = Described()
    for below in ("beat", "about", "device/carriage", "setup", "control", "procedure", "reading", "event",
                  "finding/flange", "reply/typist"):  # fmt: skip
        message, document = morning.one(below)
        spoilt = [
            {key: document[key] for key in document if key != left_out} for left_out in {*document} - MAY_BE_LEFT_OUT
        ]
        for wrong in [*spoilt, document | {"colour": "red"}]:
            damaged = replace(message, payload=json.dumps(wrong).encode())
            assert described.problem(damaged) is not None, (below, wrong.keys())


async def test_another_topic_qos_or_emptiness_is_not_as_described(morning: Morning) -> None:
    described = Described()
    message, _ = morning.one("device/carriage")
    assert described.problem(replace(message, topic=message.topic.replace("device/", "devices/"))) is not None
    assert described.problem(replace(message, topic=f"{message.topic}/more")) is not None
    assert described.problem(replace(message, payload=b"")) is not None
    event, _ = morning.one("event")
    assert described.problem(replace(event, qos=0)) is not None
