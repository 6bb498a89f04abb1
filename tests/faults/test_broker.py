"""The embedded broker killed or frozen in a sweep: it comes back, everything kept is there again, and the run goes on.

And what the intake refuses, once over the whole stack: the bench stays as it was.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import time
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio

from benchd.broker.config import mosquitto_executable
from benchd.errors import BenchdError
from tests.faults.conftest import Lab, lab

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module"), pytest.mark.xdist_group("faults-broker")]

CHILDREN = ["iotcore", "mosquitto"]
KEPT_WITHIN_S = 20.0


@pytest_asyncio.fixture(scope="module", loop_scope="module", params=CHILDREN)
async def bench(request: pytest.FixtureRequest) -> AsyncIterator[Lab]:
    assert request.param == "iotcore" or mosquitto_executable(), "the package mosquitto is needed; scripts/test has it"
    async with lab(seed=14, child=request.param) as found:
        yield found


async def back(bench: Lab, kept: set[str], within_s: float) -> float:
    """Wait until somebody new finds everything kept again; how long after the broker took connections that was."""
    began, up = time.monotonic(), None
    while True:
        assert time.monotonic() - began < within_s, "the broker is not back"
        try:
            async with bench.stack.client("looker") as looker:
                up = up or time.monotonic()
                while not kept <= set(looker.state()):
                    assert time.monotonic() - up < KEPT_WITHIN_S, kept - set(looker.state())
                    await asyncio.sleep(0.01)
                assert await looker.kept("online") is True
                return time.monotonic() - up
        except BenchdError:
            await asyncio.sleep(0.05)


async def test_broker_killed_in_a_sweep(bench: Lab) -> None:
    await lost_in_a_sweep(bench, signal.SIGKILL, 10.0)


async def test_broker_frozen_in_a_sweep(bench: Lab, request: pytest.FixtureRequest) -> None:
    if f"[{CHILDREN[-1]}" not in request.node.name:
        pytest.skip("the watchdog is the same for both; one frozen broker takes long enough")
    # Two looks of the watchdog, 5 s apart, that are given 4 s each.
    await lost_in_a_sweep(bench, signal.SIGSTOP, 30.0)


async def lost_in_a_sweep(bench: Lab, number: signal.Signals, within_s: float) -> None:
    async with bench.at() as client:
        await bench.at_nominal()
        run = await bench.in_a_sweep(readings=3, repeats=2)
        kept = {topic for topic in client.state() if not topic.startswith("finding/")}
        assert {"beat", "about", "setup", "control", "procedure", "device/carriage"} <= kept
        began, logged = time.monotonic(), len(bench.log)
        os.kill(bench.broker, number)
    took = await back(bench, kept, within_s)
    print(
        f"{number.name}: connections again after {time.monotonic() - began - took:.1f} s, all kept {took:.2f} s later"
    )
    assert took < KEPT_WITHIN_S
    lines = [line for line in bench.log[logged:].splitlines() if line.strip()]
    assert len(lines) <= 2, lines  # 58
    async with bench.at():
        await bench.state_of(run, "done", within_s=60)
        said = {key for key, value in bench.kept_readings(run).items() if value is not None}
        indices = sorted({idx for idx, _ in said})
        assert indices == list(range(len(indices)))
        assert len(said) == 2 * len(indices)
        assert await bench.client.kept("finding/flange")
        # A stop still gets through, on its own connection.
        await bench.client.command("move", axis="carriage", carriage_um=29_000)
        await bench.carriage(state="moving")
        await bench.client.stop()
        assert await bench.rests(0.5)
        assert abs(bench.place_um() - 29_000) > 500


async def test_what_is_refused_leaves_the_bench_untouched(bench: Lab) -> None:
    async with bench.at() as client:
        old, since = (await client.kept("beat"))["beat"], time.monotonic()
        await bench.home()
        await asyncio.sleep(max(since + 3.1 - time.monotonic(), 0.0))  # until it is older than a beat may be
        stands, rev = bench.place_um(), (await client.kept("setup"))["rev"]
        beat = (await client.kept("beat"))["beat"]
        away = {"axis": "carriage", "carriage_um": 9000}
        orders: list[tuple[str, bytes, str]] = [
            ("move", _json(id="b1", args=away), "stale"),
            ("move", _json(id="b2", beat="aaaaaa-1", args=away), "stale"),
            ("move", _json(id="b3", beat=old, args=away), "stale"),
            ("nudge", _json(id="b4", beat=beat), "unknown_verb"),
            ("move", b'{"id":"b5","args":{"axis":"carriage","carriage_um":NaN}}', "bad_request"),
            ("move", _json(id="b6", beat=beat, args={**away, "sideways": 1}), "bad_request"),
            ("setup", b'{"id":"b7","id":"b8","args":{"set":{"trim_um":5}}}', "bad_request"),
            ("setup", _json(id="b9", args={"set": {"lens": "L-0000"}}), "unknown_name"),
            ("move", b"\xff\xfe", "bad_request"),
            ("move", b"", "bad_request"),
            ("move", b"[" * 5000, "too_large"),
            ("setup", _json(id="b10", args={"set": {"job": "x" * 20_000}}), "too_large"),
        ]  # fmt: skip
        async with aiomqtt.Client(
            "127.0.0.1", int(bench.stack.ports["port"]), protocol=aiomqtt.ProtocolVersion.V5
        ) as other:
            await other.subscribe(client.topics.reply(client.user), qos=1)
            for verb, payload, code in orders:
                await other.publish(client.topics.command(client.user, verb), payload, qos=1)
                reply = await _reply(other)
                assert (reply["ok"], reply["error"]["code"]) == (False, code), (verb, payload[:80], reply)
            once = _json(id="b11", beat=(await client.kept("beat"))["beat"], args={"set": {"trim_um": 1.0}})
            await other.publish(client.topics.command(client.user, "setup"), once, qos=1)
            assert (await _reply(other))["ok"]
            await other.publish(client.topics.command(client.user, "setup"), once, qos=1)
            assert (await _reply(other))["error"]["code"] == "duplicate"
        assert (await client.kept("setup"))["rev"] == rev + 1
        assert abs(bench.place_um() - stands) < 5.0
        assert (await client.kept("device/carriage"))["homed"] is True


def _json(**document: Any) -> bytes:
    return json.dumps(document).encode()


async def _reply(other: aiomqtt.Client) -> dict[str, Any]:
    async with asyncio.timeout(120):
        async for message in other.messages:
            reply: dict[str, Any] = json.loads(bytes(message.payload))
            return reply
    raise AssertionError
