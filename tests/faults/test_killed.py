"""kill -9 in a sweep, on a broker that outlives the daemon: nothing acknowledged is lost, and the next start is inert.

The broker is a process of its own, as in a workshop that has one: what is kept or queued there waits for the daemon.
"""

from __future__ import annotations

import asyncio
import json
import random
import time
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio

from benchd.broker.config import Ports
from benchd.broker.embedded import EmbeddedBroker
from benchd.client import BenchClient
from benchd.devices.clock import Clock
from benchd.errors import Refused
from tests.faults.conftest import Lab, lab, told

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module"), pytest.mark.xdist_group("faults-killed")]

KILLS, SEED = 5, 20310405


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench() -> AsyncIterator[Lab]:
    async with EmbeddedBroker(Clock(), ports=Ports(0, 0)) as broker:

        def elsewhere(doc: Any) -> None:
            doc["mqtt"] = {"broker": f"mqtt://127.0.0.1:{broker.ports.v5}"}

        async with lab(seed=13, daemon=False, change=elsewhere) as found:
            yield found


async def test_killed_in_a_sweep(bench: Lab) -> None:
    draw = random.Random(SEED)
    total = 0
    for kill in range(KILLS):
        async with bench.up(), bench.at() as client:
            await bench.at_nominal()
            heard = client.watch("reading")
            online = client.watch("online")
            run = str((await client.command("sweep", repeats=10))["run"])
            if kill:  # the first while the worker is still loading, the others between the points
                async with asyncio.timeout(120):
                    first = dict((await anext(heard))[1])
            await asyncio.sleep(draw.uniform(0.05, 0.5 if kill == 0 else 1.5))
            await bench.kill()
            assert bench.left(3.0) == {}  # the worker dies with the daemon, however young it is
            assert await bench.rests(3.0)  # the move under way ends by itself
            async with asyncio.timeout(120):
                assert [await anext(online), await anext(online)] == [("online", True), ("online", False)]
            acknowledged = await told(heard)
            if kill:
                acknowledged[first["idx"], first["channel"]] = first["value"]
        kept = bench.kept_readings(run)
        assert acknowledged.items() <= kept.items()
        indices = sorted({idx for idx, _ in kept})
        assert indices == list(range(len(indices)))
        assert len(kept) == 2 * len(indices), "a point is there by halves"
        assert bench.row_of(run)[0] == "running"
        total += len(acknowledged)
    print(f"{total} readings were acknowledged in {KILLS} sweeps, none is lost")
    assert total > 0
    async with bench.up():
        pass
    with bench.record() as record:
        assert record.execute("SELECT count(*) FROM run WHERE ended IS NULL").fetchone() == (0,)
        left = record.execute("SELECT count(*) FROM event WHERE code = 'abandoned'").fetchone()[0]
        states = {row[0] for row in record.execute("SELECT state FROM run WHERE procedure = 'sweep'")}
    assert (left, states) == (KILLS, {"failed"})


async def test_fault_18_a_restart_is_inert_and_darkens(bench: Lab) -> None:
    """Killed in a long move with the light on; a home is kept on the broker, a move comes with the last life's beat."""
    async with bench.up(), bench.at() as client:
        await bench.home()
        await client.command("light", beat=False, light="target_light", level=0.7)
        run = await bench.in_flange_check()
        await client.command("abort", beat=False, run=run)
        await bench.state_of(run, "aborted")
        await client.command("light", beat=False, light="target_light", level=0.7)
        await client.command("move", axis="carriage", carriage_um=29_000)
        await bench.carriage(state="moving")
        old = (await client.kept("beat"))["beat"]
        await bench.kill()
        killed = time.monotonic()
        assert bench.left(2.0) == {}
    assert await bench.rests(3.0)
    print(f"at rest by itself {time.monotonic() - killed:.1f} s after the kill")
    stands = bench.place_um()
    assert bench.board()["power"] == 700  # this light has no fail-safe of its own (18); the next start darkens it
    port = int(bench.stack.ports["port"])
    topic = f"benchd/{bench.stack.ports['bench']}/command/ghost"
    order = json.dumps({"id": "g1", "beat": old, "args": {}}).encode()
    async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as other:
        await other.publish(f"{topic}/take", json.dumps({"id": "g0"}), qos=1, retain=True)
        await other.publish(f"{topic}/home", order, qos=1, retain=True)
    said = len(bench.log)
    async with bench.up():
        async with bench.stack.client("ghost") as ghost:
            await ghost.command("take", beat=False)
            port = int(bench.stack.ports["port"])
            for verb, args in (
                ("home", {}),
                ("move", {"axis": "carriage", "carriage_um": 100}),
                ("light", {"level": 1}),
            ):
                reply = await answer(ghost, port, verb, {"id": f"g-{verb}", "beat": old, "args": args})
                assert reply["error"]["code"] == "stale", reply
        async with bench.at():
            state = await bench.carriage(state="idle")
            assert (state["homed"], state["why"]) == (False, "not homed since the start")
            assert (await bench.client.kept("device/target_light"))["level"] == 0
            assert (await bench.client.kept("procedure"))["state"] == "idle"
            with pytest.raises(Refused) as error:
                await bench.client.command("move", axis="carriage", carriage_um=100)
            assert error.value.code == "not_homed"
            await asyncio.sleep(1.0)
            assert abs(bench.place_um() - stands) < 5.0
            async with asyncio.timeout(120):
                async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as other:
                    await other.subscribe(f"{topic}/#")
                    await other.publish("mark", b"")
                    await other.subscribe("mark")
                    await other.publish("mark", b"x")
                    async for message in other.messages:
                        assert not str(message.topic).startswith(topic), "a retained command is still there"
                        break
    assert "Traceback" not in bench.log[said:]
    with bench.record() as record:
        assert record.execute("SELECT count(*) FROM run WHERE ended IS NULL").fetchone() == (0,)


async def answer(client: BenchClient, port: int, verb: str, request: dict[str, Any]) -> dict[str, Any]:
    """The bare reply to a request that the client itself would not send."""
    async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as other:
        await other.subscribe(client.topics.reply(client.user))
        await other.publish(client.topics.command(client.user, verb), json.dumps(request), qos=1)
        async with asyncio.timeout(120):
            async for message in other.messages:
                reply: dict[str, Any] = json.loads(bytes(message.payload))
                if reply["id"] == request["id"]:
                    return reply
    raise AssertionError
