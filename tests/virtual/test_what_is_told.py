"""What the bench says is so when it is said: state before the end it belongs to, nothing anew that has not changed,
every event in the record, and refusals that tell what to do next."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import re
import secrets
import sqlite3
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from ruamel.yaml import YAML

from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError, Refused
from benchd.mqtt.connection import Endpoint
from technician import Technician
from tests.virtual.benches import VirtualBench, quiet
from tests.virtual.ends.broker_connection import open_in_memory

pytestmark = pytest.mark.asyncio(loop_scope="module")

REST_S = 2.0


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    """A bench that nobody has calibrated; each test makes of it what it needs, in any order."""
    async with VirtualBench(tmp_path_factory.mktemp("told")) as bench:
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def client(bench: VirtualBench) -> AsyncIterator[BenchClient]:
    """Somebody who holds control."""
    async with bench.client() as client:
        await client.command("take", beat=False, force=True)
        yield client


@pytest_asyncio.fixture(loop_scope="module")
async def homed(client: BenchClient) -> BenchClient:
    """The same, whose carriage may be sent somewhere."""
    await client.do("home", axes=["carriage"], only_if_unhomed=True)
    return client


def events_of(bench: VirtualBench) -> list[dict[str, Any]]:
    """The events in the record, read by its own means."""
    file = bench.bench_file.parent / "workshop.db"
    with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as record:
        rows = record.execute("SELECT code, severity, text, advice, cause, data FROM event ORDER BY id").fetchall()
    return [
        dict(zip(("code", "severity", "text", "advice", "cause"), row[:5], strict=True)) | {"data": json.loads(row[5])}
        for row in rows
    ]


async def ended(client: BenchClient, verb: str, **args: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    """The end of a command, and the carriage's state that had been heard when it came."""
    heard, ident = client.watch("#"), secrets.token_hex(4)
    await client.command(verb, ident=ident, **args)
    state: dict[str, Any] = {}
    async with asyncio.timeout(120):
        async for topic, doc in heard:
            if topic == "device/carriage":
                state = doc
            elif topic == "event" and doc["cause"] == ident:
                return doc, state
    raise AssertionError


async def test_a_light_on_a_locked_controller_says_what_comes_first(bench: VirtualBench, client: BenchClient) -> None:
    bench.ask_world({"do": "fault", "who": "board", "what": "power_up", "args": {}})
    async with asyncio.timeout(120):
        async for _, doc in client.watch("device/carriage"):
            if doc["state"] == "idle" and not doc["homed"]:
                break
    with pytest.raises(Refused) as caught:
        await client.command("light", beat=False, light="target_light", level=0.4)
    assert caught.value.code == "not_homed", caught.value.as_json()
    assert "home" in caught.value.advice.lower()
    assert "error:9" not in caught.value.text
    await client.command("light", beat=False, light="target_light", level=0)  # to go dark is never refused


async def test_the_state_is_there_when_an_end_is_told(client: BenchClient) -> None:
    event, state = await ended(client, "home", axes=["carriage"])
    assert event["code"] == "done", event
    assert (state["homed"], state["state"]) == (True, "idle"), state
    await client.command("light", beat=False, light="target_light", level=0.4)  # homing has unlocked it
    for place_um in (4000, 500, 9000):
        event, state = await ended(client, "move", axis="carriage", carriage_um=place_um)
        assert event["code"] == "done", event
        assert state["state"] == "idle", state
        assert state["carriage_um"] == pytest.approx(place_um, abs=1.05)  # the bench file's tolerance, rounded


async def test_the_reply_comes_before_the_end_however_soon_that_is(bench: VirtualBench, homed: BenchClient) -> None:
    """Of a homing that has nothing to do, as a program hears it that looks for the end once it was accepted."""
    topics, heard = homed.topics, []
    host, _, port = bench.broker_at.partition(":")
    async with open_in_memory(Endpoint(host, int(port), "5"), "listener") as wire:
        await wire.subscribe(topics.full("event"), 1)
        await wire.subscribe(topics.reply(homed.user), 1)
        for count in range(20):
            ident = f"soon-{count}"
            await homed.command("home", axes=["carriage"], only_if_unhomed=True, ident=ident)
            async with asyncio.timeout(120):
                async for message in wire.messages:
                    doc = json.loads(bytes(message.payload))
                    if message.topic.matches(topics.reply(homed.user)) and doc["id"] == ident:
                        heard.append("reply")
                    elif message.topic.matches(topics.full("event")) and doc["cause"] == ident:
                        heard.append(doc["code"])
                    if len(heard) == 2 * count + 2:
                        break
    assert heard == ["reply", "done"] * 20


async def test_a_short_move_is_seen_to_begin(homed: BenchClient) -> None:
    await asyncio.sleep(0.5)
    heard = homed.watch("#")
    await homed.command("move", axis="carriage", by_um=300, ident="short")
    states = []
    async with asyncio.timeout(120):
        async for topic, doc in heard:
            if topic == "device/carriage":
                states.append(doc["state"])
            elif topic == "event" and doc["cause"] == "short":
                break
    assert states[-2:] == ["moving", "idle"], states


async def test_at_rest_nothing_is_told_anew(homed: BenchClient) -> None:
    for by_um in (100.0, 50.02, 50.04):  # a place between two tenths flickers most
        await homed.do("move", axis="carriage", by_um=by_um)
        await asyncio.sleep(1.0)
        heard = homed.watch("device/carriage")
        told = []
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(REST_S):
                async for _, doc in heard:
                    told.append(doc["carriage_um"])
        assert len(told) == 1, f"the last state, which stands, and nothing more: {told}"


async def test_figures_of_the_carriage_are_its_own_and_rounded(bench: VirtualBench, homed: BenchClient) -> None:
    for place_um in (1234.5, 28000):
        _, state = await ended(homed, "move", axis="carriage", carriage_um=place_um)
        assert all(math.isclose(limit, round(limit, 1), abs_tol=1e-12) for limit in state["limits_um"]), state
        # JCGM 100, 4.3.7 and 5.1: the amplitude of the subdivision's error as arcsine, and the scale over its way.
        scale = YAML(typ="safe").load(bench.bench_file)["devices"]["scale"]
        way_um = state["carriage_um"]  # from the zero, as nothing is calibrated
        expected = math.hypot(scale["subdivision_um"] / math.sqrt(2), scale["u_scale"] * way_um)
        assert state["u_um"] == pytest.approx(expected, abs=0.051), state


async def test_limits_that_are_told_can_be_driven_to(homed: BenchClient) -> None:
    state = await homed.kept("device/carriage")
    for limit in reversed(state["limits_um"]):
        event, _ = await ended(homed, "move", axis="carriage", carriage_um=limit)
        assert event["code"] == "done", event


async def test_abilities_of_the_devices_are_told(bench: VirtualBench, client: BenchClient) -> None:
    """Whoever steers must not need the bench file: what it says of the devices stands in `about`."""
    about = await client.kept("about")
    said = YAML(typ="safe").load(bench.bench_file)["devices"]
    can = {name: device["spec"] for name, device in about["devices"].items()}
    stage, lamp, scale, dial = (said[name] for name in ("stage", "lamp", "scale", "dial"))
    carriage = can["carriage"]
    assert carriage["unit"] == "um"
    assert [carriage["low"], carriage["high"]] == stage["travel_um"]
    assert (carriage["top_speed"], carriage["acceleration"]) == (stage["top_speed_um_s"], stage["acceleration_um_s2"])
    assert 0.0 < carriage["resolution"] < 10.0
    # The bench file leaves `full` at the driver's 1000: so many steps, the least of them a thousandth.
    assert can["target_light"] == {
        "least": 0.001, "steps": 1000, "pwm_hz": lamp["pwm_hz"], "laser_class": None, "has_failsafe": False,
        "safe_level": lamp["safe_level"],
    }  # fmt: skip
    stated = {key: scale[key] for key in ("resolution_um", "subdivision_um", "period_um", "u_scale", "alpha_per_K")}
    assert can["position"] == stated | {"range_um": None}
    assert [can["indicator"]["low_um"], can["indicator"]["high_um"]] == dial["range_um"]
    assert can["indicator"]["resolution_um"] == dial["resolution_um"]
    assert (can["detector"]["linear"], can["detector"]["orientation"]) == (True, "upright")
    assert can["detector"].keys() >= {"size", "pixel_um", "exposure_range_ms"}
    assert len(json.dumps(about["devices"])) < 3000


async def test_sentences_have_the_units_of_people(homed: BenchClient) -> None:
    with pytest.raises(Refused, match="outside the carriage's limits") as caught:
        await homed.command("move", axis="carriage", carriage_um=90_000)
    assert "\u00b5m" in caught.value.text
    assert not re.search(r"\bum\b", str(caught.value))


@pytest.mark.parametrize(("level", "lp_mm", "text", "advice"), [
    (0.0, 40.0, "too dark", "The target's light is at level 0: turn it up."),
    # It was 'failed inside benchd: ValueError', with the cause in the log.
    (0.4, 2000.0, "2000 lp/mm are", "Give a lower lp_mm."),
])  # fmt: skip
async def test_a_sweep_in_vain_says_what_to_change(
    bench: VirtualBench, homed: BenchClient, level: float, lp_mm: float, text: str, advice: str
) -> None:
    on_bench = {"adapters": ["ring-07"], "glass": ["pane-25"], "lens": "L-0417"}
    technician = Technician(bench, homed, quiet)
    technician.fit(["ring-07"], ["pane-25"], "L-0417")
    await homed.command("setup", set={**on_bench, "ring": "infinity", "distance_mm": 5000.0, "temperature_C": 20.0})
    await homed.command("light", beat=False, light="target_light", level=level)
    await homed.do("nominal")
    event, _ = await ended(homed, "sweep", lp_mm=lp_mm)
    assert text in event["text"], event
    assert event["advice"] == advice
    technician.clear()
    await homed.command("setup", set=dict.fromkeys(on_bench) | {"adapters": [], "glass": []})


async def test_every_event_that_is_told_is_in_the_record(bench: VirtualBench, client: BenchClient) -> None:
    heard = client.events()
    with pytest.raises(BenchdError):
        await client.command("levitate", ident="told-refused")
    with pytest.raises(BenchdError):
        await client.command("move", axis="carriage", carriage_um=-90_000, ident="told-limit")
    async with asyncio.timeout(120):
        told = [await anext(heard), await anext(heard)]
    await asyncio.sleep(0.3)
    kept = events_of(bench)
    for _, event in told:
        assert {key: event[key] for key in ("code", "severity", "text", "advice", "cause", "data")} in kept


async def test_an_orderly_end_takes_no_trust_from_the_position(bench: VirtualBench, homed: BenchClient) -> None:
    assert (await homed.kept("device/carriage"))["homed"]
    before = len(events_of(bench))
    await bench.end_daemon()
    assert [event for event in events_of(bench)[before:] if event["severity"] != "info"] == []
    await bench.start_daemon()
