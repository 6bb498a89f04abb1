"""Rings on a board of their own, beside that of the carriage: what one cannot be told does not keep the other from
being stopped, and what comes between the two legs of a turn keeps the second from beginning."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from structlog.testing import capture_logs

from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from benchd_simulators.firmware.board import Board
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.rig import Cable
from benchd_simulators.world import load_world
from tests.virtual.benches import SEED, VirtualBench, person
from tests.virtual.ends.serial_end import PORTS, MemoryPort
from tests.virtual.rigs import with_switches

pytestmark = pytest.mark.asyncio(loop_scope="module")

STOP = b"!"
FROM_DEG, BEFORE_DEG, TO_DEG = 200.0, 95.0, 100.0
"""A turn down goes past its place, and comes to it from below."""
TURNS = """
procedure: turns
title: Turns the ring
needs: {roles: [carriage, focus_ring]}
inputs: {}
steps:
  - move: {axis: focus_ring, to_deg: 100}
"""


@dataclass
class Apart:
    """The bench, its client, and the second board: `wrote` is every write to it and to the first, with its time."""

    bench: VirtualBench
    client: BenchClient
    cable: Cable
    world: Any
    wrote: list[tuple[float, str, bytes]]
    began_s: float = 0.0
    """When what was done last was begun."""
    from_um: float = 0.0
    """Of the motor's steps, at `FROM_DEG`."""

    @property
    def motor(self) -> Any:
        return self.world.turned["focus"].motor

    @property
    def ring_deg(self) -> float:
        """Where the motor has the ring, by its own steps: 10 degrees a millimetre."""
        return float((self.motor.position_um - self.from_um) / 100.0 + FROM_DEG)

    def stopped(self, within_s: float = 0.02) -> set[str]:
        """Which boards a stop was written to, so soon after what was begun."""
        return {to for at_s, to, data in self.wrote if 0.0 <= at_s - self.began_s <= within_s and STOP in data}

    async def until(self, so: Callable[[], bool]) -> None:
        async with asyncio.timeout(60.0):
            while not so():  # noqa: ASYNC110 # hardware that is looked at
                await asyncio.sleep(0.0005)

    async def turning(self) -> asyncio.Task[Any]:
        """On its way down from `FROM_DEG`, on the first leg."""
        turning = asyncio.create_task(self.client.do("move", axis="focus_ring", to_deg=TO_DEG))
        await self.until(lambda: self.ring_deg < FROM_DEG - 20.0)
        return turning

    async def events(self, work: Awaitable[Any], for_s: float = 0.5) -> list[dict[str, Any]]:
        """What is told while that goes on, and after."""
        seen: list[dict[str, Any]] = []

        async def hear() -> None:
            async for _, event in self.client.watch("event"):
                seen.append(dict(event))

        hearing = asyncio.create_task(hear())
        await asyncio.sleep(0.05)
        self.began_s = self.bench.loop.time()
        await work
        await asyncio.sleep(for_s)
        hearing.cancel()
        await asyncio.wait({hearing})
        return seen


def apart(doc: Any) -> None:
    """The bench file with the rings on a line of their own, and with switches."""
    board = doc["links"]["board_line"]
    doc["links"]["rings_line"] = {**board, "port": str(Path(board["port"]).with_name("rings"))}
    doc["devices"]["focus_motor"]["link"] = "rings_line"
    doc["devices"]["iris_motor"]["link"] = "rings_line"
    with_switches(doc)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def both(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Apart]:
    folder = tmp_path_factory.mktemp("apart")
    kinds: dict[str, Any] = {"world": "workshop-rings", "config": "workshop-rings", "change": apart}
    async with VirtualBench(folder, files={"procedures/turns.yaml": TURNS}, daemon=False, **kinds) as bench:
        world = load_world("workshop-rings", SEED, 1.0, bench.loop.time)
        cable = Cable(bench.rig.cables["board"].port.link.with_name("rings"), Journal(None), seed=SEED, port=MemoryPort)
        board = Board(world, cable.say, identity="7A02")
        cable.feed = board.feed
        running = asyncio.create_task(board.run(), name="board of the rings")
        cable.port.plug()
        board.power_up()
        wrote: list[tuple[float, str, bytes]] = []
        for name, end in (("carriage", bench.rig.cables["board"]), ("rings", cable)):
            port = PORTS[str(end.port.link)]
            port.wrote = lambda data, name=name: wrote.append((bench.loop.time(), name, data))  # type: ignore[misc]
        try:
            await bench.start_daemon()
            async with person(bench) as (client, _):
                yield Apart(bench, client, cable, world, wrote)
        finally:
            await bench.end_daemon()
            running.cancel()
            await asyncio.wait({running})
            cable.unplug()


@pytest_asyncio.fixture(loop_scope="module")
async def made(both: Apart) -> AsyncIterator[Apart]:
    """Homed, the carriage at its end and the ring at `FROM_DEG`."""
    await both.client.do("home", axes=["carriage", "focus_ring"], only_if_unhomed=True)
    await both.client.do("move", carriage_um=2_000.0)
    await both.client.do("move", axis="focus_ring", to_deg=FROM_DEG)
    both.from_um = both.motor.position_um
    yield both
    both.cable.wire.clear()
    if str(both.cable.port.link) not in PORTS:
        both.cable.port.plug()
    both.bench.ask_world({"do": "release", "what": "hands_in"})
    await asyncio.sleep(3.0)


async def test_a_ring_that_was_lost_does_not_make_a_stop_fail_that_stopped_the_rest(made: Apart) -> None:
    client = made.client
    made.cable.unplug()
    await asyncio.sleep(2.0)
    assert (await client.kept("device/focus_ring"))["state"] == "offline"
    moving = asyncio.create_task(client.do("move", carriage_um=20_000.0))
    await asyncio.sleep(0.5)
    with capture_logs() as logged:
        told = await made.events(client.stop())
    with pytest.raises(BenchdError):
        await moving
    assert made.stopped() == {"carriage"}
    assert made.bench.place_um() < 15_000.0
    assert (await client.kept("device/carriage"))["homed"] is True
    unsure = [event for event in told if event["data"].get("axis") == "focus_ring"]
    assert [event["severity"] for event in unsure] == ["error"]
    assert "focus_ring was not stopped: link rings_line is lost" in unsure[0]["text"]
    assert "emergency stop" in unsure[0]["advice"]
    assert ("not stopped", "focus_ring") in [(line["event"], line.get("axis")) for line in logged]
    assert [event["code"] for event in told].count("stopped") >= 1


async def test_a_ring_that_turned_when_it_was_lost_fails_the_stop_of_all_others(made: Apart) -> None:
    """No byte reaches it: that is the answer, and not that all stands."""
    client = made.client
    turning = await made.turning()
    made.cable.unplug()
    with pytest.raises(BenchdError):
        await turning
    await asyncio.sleep(2.0)
    assert (await client.kept("device/focus_ring"))["state"] == "offline"
    moving = asyncio.create_task(client.do("move", carriage_um=20_000.0))
    await asyncio.sleep(0.5)
    told = await made.events(client.stop())
    with pytest.raises(BenchdError):
        await moving
    assert made.stopped() == {"carriage"}
    (failed,) = (event for event in told if event["data"].get("user") and event["severity"] == "error")
    assert "focus_ring was not stopped: link rings_line is lost, and it turned then" in failed["text"]
    assert "Cut its power" in failed["advice"]
    assert any(event["text"].startswith("iris_ring was not stopped") for event in told), "it stood, which fails nothing"
    with pytest.raises(BenchdError, match="focus_ring was not stopped"):
        await client.stop_answered()


async def test_a_ring_that_was_there_and_is_not_stopped_fails_the_stop_of_all_others_that_came_first(
    made: Apart,
) -> None:
    """Its board has fallen silent while it turns: nobody knows whether it stands, and that is the answer."""
    client = made.client
    turning = await made.turning()
    made.cable.wire.fault("silence", {"s": 60})
    told = await made.events(client.stop(), for_s=30.0)
    with pytest.raises(BenchdError):
        await turning
    assert made.stopped() == {"carriage", "rings"}
    assert (await client.kept("device/focus_ring"))["homed"] is False
    failed = [event for event in told if event["data"].get("user") == "technician" and event["severity"] == "error"]
    assert [event["code"] for event in failed] == ["timeout"], "the stop itself"
    assert "rings_line gave no answer" in failed[0]["text"]
    assert "emergency stop" in failed[0]["advice"]
    assert any(event["text"].startswith("iris_ring was not stopped: rings_line gave") for event in told), "as well"


async def between_the_legs(made: Apart) -> None:
    """Return at the moment when the ring stands at the end of its first leg."""
    await made.until(lambda: abs(made.ring_deg - BEFORE_DEG) < 0.011 and not made.motor.moving)


async def test_hands_that_come_in_between_the_legs_keep_the_second_from_beginning(made: Apart) -> None:
    turning = await made.turning()
    await between_the_legs(made)
    made.bench.ask_world({"do": "press", "what": "hands_in"})
    with pytest.raises(BenchdError) as ended:
        await turning
    assert ended.value.code == "interlock"
    await asyncio.sleep(1.0)
    assert made.ring_deg == pytest.approx(BEFORE_DEG, abs=0.011), "not even begun"


async def test_a_stop_between_the_legs_keeps_the_second_from_beginning(made: Apart) -> None:
    turning = await made.turning()
    await between_the_legs(made)
    await made.client.stop()
    with pytest.raises(BenchdError):
        await turning
    await asyncio.sleep(1.0)
    assert made.ring_deg == pytest.approx(BEFORE_DEG, abs=0.011)


async def test_a_run_that_pauses_on_the_first_leg_goes_on_with_the_turn_once_it_is_resumed(made: Apart) -> None:
    """Asked to pause while the ring turns: it is paused once that stands, which is before the second leg."""
    client = made.client
    run = await client.run("turns")
    await made.until(lambda: made.ring_deg < FROM_DEG - 20.0)
    await client.command("pause", beat=False, run=run)
    await asyncio.sleep(0.2)
    assert (await client.kept("procedure"))["state"] == "running", "a ring still turns"
    while (await client.kept("procedure"))["state"] != "paused":  # noqa: ASYNC110 # as it is told
        await asyncio.sleep(0.01)
    stood_deg = made.ring_deg
    assert stood_deg == pytest.approx(BEFORE_DEG, abs=0.011)
    await asyncio.sleep(3.0)
    assert made.ring_deg == stood_deg, "paused, nothing moves"
    await client.command("resume", run=run)
    async with asyncio.timeout(60):
        *_, last = [state async for state in client.follow(run)]
    assert last["state"] == "done"
    assert made.ring_deg == pytest.approx(TO_DEG, abs=0.02)
