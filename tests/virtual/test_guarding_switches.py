"""Faults 12 and 16 in every order: an emergency stop and hands in the bench, while it moves, homes, runs, waits, asks.

Contacts are acted on at the far end of their line, and what comes of it is read off the bytes of the board's line and
the world, as somebody beside the bench would see it. Over processes and a broker: `tests/stack/test_switches.py`.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from benchd.bench.switch_watch import MOVING_S, RELEASED_S, RESTING_S, UNREAD_S
from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError, Refused
from stack import StackFailed
from tests.virtual.benches import VirtualBench, person
from tests.virtual.rigs import with_switches
from tests.virtual.rules.motion import begins
from tests.virtual.rules.stops import is_stop

pytestmark = pytest.mark.asyncio

FAR_UM, NEAR_UM = 14_000.0, 2_000.0
"""Some three seconds apart: time enough for all that comes in between."""
WIRE_S = 0.01
"""For a question and its answer on a line of 115200 baud, and the byte that follows."""
GOES_DARK_S = 1.0
THERE = """\
procedure: there
title: There and back
needs: {roles: [carriage, target_light]}
steps:
  - light: {level: 0.4}
  - move: {carriage_um: 14000}
  - ask: {kind: confirm, text: "Seated?"}
  - move: {carriage_um: 2000}
finally:
  - move: {carriage_um: 5000}
  - light: {level: 0}
"""
Press = Callable[[str], None]


class Hands:
    """Somebody at the bench, and somebody who reads the board's line."""

    def __init__(self, bench: VirtualBench, client: BenchClient) -> None:
        self.bench, self.client = bench, client
        self.events: list[dict[str, Any]] = []
        self.acted_s = 0.0
        self.asked: set[asyncio.Task[None]] = set()

    def ask(self, verb: str, **args: Any) -> None:
        """Ask for something that is not waited for, and may be broken off."""
        self.asked.add(asyncio.create_task(_quietly(self.client.do(verb, **args))))

    def press(self, what: str) -> None:
        self.acted_s = asyncio.get_running_loop().time()
        self.bench.ask_world({"do": "press", "what": what})

    def release(self, what: str) -> None:
        self.bench.ask_world({"do": "release", "what": what})

    def written(self, since_s: float | None = None) -> list[tuple[float, bytes]]:
        """What was written to the board since something was acted on last, and when."""
        since_s = self.acted_s if since_s is None else since_s
        found = []
        for line in (self.bench.folder / "journal.tsv").read_text(encoding="ascii").splitlines():
            at, port, way, data = line.split("\t")
            if (port, way) == ("board", "in") and float(at) >= since_s - 1e-6:
                found.append((float(at), bytes(json.loads('"' + data[2:-1].replace("\\x", "\\u00") + '"'), "latin1")))
        return found

    def stopped_after_s(self) -> float:
        """From when something was acted on last to the first byte of a stop."""
        return next(at for at, data in self.written() if is_stop(data)) - self.acted_s

    def began(self) -> list[bytes]:
        """Motions that began since then."""
        return [data for _, data in self.written() if begins(data)]

    async def told(self, topic: str, **holds: Any) -> dict[str, Any]:
        last: Any = None
        try:
            async with asyncio.timeout(120):
                async for _, last in self.client.watch(topic):
                    if last is not None and all(last[key] == value for key, value in holds.items()):
                        return dict(last)
        except TimeoutError:
            raise AssertionError(f"{topic} stays {last}") from None
        raise AssertionError(topic)

    def count(self, code: str) -> int:
        return sum(event["code"] == code for event in self.events)

    async def ready(self) -> None:
        """Homed, with a light on, near the beginning of the travel."""
        await self.client.do("home", axes=["carriage"])
        await self.client.do("move", carriage_um=NEAR_UM)
        await self.client.command("light", beat=False, level=0.4)

    async def rearmed(self) -> None:
        """Released, re-armed, and a new beat drawn."""
        self.release("emergency_stop")
        await asyncio.sleep(2 * RELEASED_S)
        await self.bench.rearm()
        await asyncio.sleep(0.5)


@asynccontextmanager
async def at_the_bench(folder: Path, **more: Any) -> AsyncIterator[Hands]:
    files = {"procedures/there.yaml": THERE}
    async with VirtualBench(folder, change=with_switches, files=files, **more) as bench, person(bench) as (client, _):
        hands = Hands(bench, client)

        async def hear() -> None:
            with suppress(BenchdError):  # the client is closed, or its daemon is gone
                async for _, event in client.events():
                    hands.events.append(event)

        hearing = asyncio.create_task(hear())
        await hands.ready()
        yield hands
        hearing.cancel()
        await asyncio.wait({hearing, *hands.asked})


async def while_it_moves(hands: Hands) -> None:
    hands.ask("move", carriage_um=FAR_UM)
    await asyncio.sleep(2.0)
    assert hands.bench.machine.motor.moving


async def while_it_homes(hands: Hands) -> None:
    await hands.client.do("move", carriage_um=FAR_UM)
    hands.ask("home", axes=["carriage"])
    await asyncio.sleep(1.0)
    assert hands.bench.machine.motor.moving


async def while_a_run_moves(hands: Hands) -> None:
    await hands.client.run("there")
    await asyncio.sleep(2.0)
    assert hands.bench.machine.motor.moving


async def while_a_run_is_paused(hands: Hands) -> None:
    await while_a_run_moves(hands)
    run = (await hands.client.kept("procedure"))["run"]
    await hands.client.command("pause", beat=False, run=run)
    await hands.told("procedure", state="paused")


async def while_a_run_asks(hands: Hands) -> None:
    await hands.client.run("there")
    await hands.told("procedure", state="asking")


async def while_a_run_goes_back(hands: Hands) -> None:
    await while_a_run_is_paused(hands)
    await hands.client.command("resume", run=(await hands.client.kept("procedure"))["run"])
    await asyncio.sleep(0.3)


async def while_a_stop_is_under_way(hands: Hands) -> None:
    await while_it_moves(hands)
    await hands.client.stop()
    await asyncio.sleep(0.02)


async def while_it_rests(hands: Hands) -> None:
    await asyncio.sleep(2.0)


ORDERS = (
    while_it_moves, while_it_homes, while_a_run_moves, while_a_run_is_paused, while_a_run_asks, while_a_run_goes_back,
    while_a_stop_is_under_way, while_it_rests,
)  # fmt: skip
Order = Callable[[Hands], Awaitable[None]]


async def _quietly(work: Awaitable[Any]) -> None:
    with suppress(BenchdError):
        await work


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: order.__name__)
async def test_fault_12_emergency_stop(tmp_path: Path, order: Order) -> None:
    """It stops within one poll, ends what is under way, darkens, stays latched, and lets nothing go on by itself."""
    async with at_the_bench(tmp_path) as hands:
        bench, client = hands.bench, hands.client
        await order(hands)
        losses = hands.count("not_homed")
        hands.press("emergency_stop")
        await hands.told("device/emergency_stop", pressed=True, latched=True)
        assert hands.stopped_after_s() <= (RESTING_S if order is while_it_rests else MOVING_S) + WIRE_S
        await asyncio.sleep(GOES_DARK_S)
        assert bench.machine.lamp.level == 0.0
        assert (await client.kept("procedure"))["state"] in ("idle", "failed")
        assert (await client.kept("procedure"))["ask"] is None
        carriage = await hands.told("device/carriage", state="fault", homed=False)
        assert "The emergency stop (stop_button) was pressed at" in carriage["text"]
        assert hands.count("emergency_stop") == 1, "its contacts bounce, and it was pressed once"
        assert hands.count("not_homed") - losses == (0 if order is while_it_homes else 1)

        for turn in range(2):  # let go, pressed again, and let go
            hands.release("emergency_stop")
            await asyncio.sleep(2.0)
            for verb, args in (("home", {"axes": ["carriage"]}), ("run", {"procedure": "there"}), ("sweep", {})):
                with pytest.raises(Refused, match=r"The emergency stop \(stop_button\) was pressed at") as refused:
                    await client.command(verb, **args)
                assert refused.value.code == "interlock"
            with pytest.raises(Refused, match="latched until it is re-armed"):
                await client.command("light", beat=False, level=0.2)
            assert (await client.command("light", beat=False, level=0.0)) == {"level": 0.0}
            if turn == 0:
                bench.ask_world({"do": "press", "what": "emergency_stop"})
                await asyncio.sleep(1.0)
                with pytest.raises(StackFailed, match="still pressed"):
                    await bench.rearm()
        assert hands.count("emergency_stop") == 1
        typed = {"id": "typed", "beat": (await client.kept("beat"))["beat"], "args": {"axes": ["carriage"]}}
        await bench.rearm()
        await client._publish(client.topics.command(client.user, "home"), json.dumps(typed).encode())
        with pytest.raises(StackFailed, match="No emergency stop is latched"):
            await bench.rearm()
        await bench.rests(2.0)
        assert hands.began() == [], "neither release, nor what was typed before, nor re-arming moves anything"
        assert hands.count("rearmed") == 1
        with pytest.raises(Refused) as refused:
            await client.command("move", carriage_um=FAR_UM)
        assert refused.value.code == "not_homed"
        await hands.ready()


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: order.__name__)
async def test_fault_16_hands_in(tmp_path: Path, order: Order) -> None:
    """They stop what moves, pause a run, bar what is asked for, and once they are out nothing goes on by itself."""
    async with at_the_bench(tmp_path) as hands:
        bench, client = hands.bench, hands.client
        await order(hands)
        under_way = (await client.kept("procedure"))["state"]
        hands.press("hands_in")
        await hands.told("device/hands_in", pressed=True, latched=False)
        assert hands.stopped_after_s() <= (RESTING_S if order is while_it_rests else MOVING_S) + WIRE_S
        await asyncio.sleep(GOES_DARK_S)
        procedure = await client.kept("procedure")
        expected = {"idle": "idle", "asking": "asking"}.get(under_way, "paused")
        assert procedure["state"] == expected
        assert "Hands are in the bench (door) since" in (await client.kept("device/carriage"))["text"]
        assert (await client.kept("device/carriage"))["homed"] is (order is not while_it_homes)
        for verb, args in (("home", {"axes": ["carriage"]}), ("run", {"procedure": "there"})):
            with pytest.raises(Refused) as refused:
                await client.command(verb, **args)
            assert refused.value.code == ("interlock" if expected == "idle" else "busy")
        if expected == "paused":
            with pytest.raises(Refused, match=r"Hands are in the bench \(door\)"):
                await client.command("resume", run=procedure["run"])
        if order is not while_it_homes:  # which locks the controller, and its output with it
            assert (await client.command("light", beat=False, level=0.3)) == {"level": 0.3}, "hands are seen by it"
        hands.release("hands_in")
        await hands.told("device/hands_in", pressed=False, since=None)
        await bench.rests(2.0)
        assert hands.began() == []
        assert (hands.count("hands_in"), hands.count("hands_out")) == (1, 1)
        assert (await client.kept("procedure"))["state"] == expected
        if expected == "paused":
            await client.command("resume", run=procedure["run"])
            await hands.told("procedure", state="asking")
        if expected != "idle":
            await client.command(
                "answer", ask=(await hands.told("procedure", state="asking"))["ask"]["ask"], value=True
            )
            await hands.told("procedure", state="done")
            assert bench.place_um() == pytest.approx(5000.0, abs=100.0)
        else:
            await hands.ready()


async def test_fault_16_an_answer_while_hands_are_in_moves_nothing_until_they_are_out_and_the_run_is_resumed(
    tmp_path: Path,
) -> None:
    async with at_the_bench(tmp_path) as hands:
        await while_a_run_asks(hands)
        hands.press("hands_in")
        await hands.told("device/hands_in", pressed=True)
        asked = await hands.told("procedure", state="asking")
        await hands.client.command("answer", ask=asked["ask"]["ask"], value=True)
        await hands.told("procedure", state="paused")
        await asyncio.sleep(0.2)
        assert hands.count("interlock") == 1, "the run says why it waits"
        hands.release("hands_in")
        await hands.bench.rests(2.0)
        assert hands.began() == []
        await hands.client.command("resume", run=asked["run"])
        await hands.told("procedure", state="done")


async def test_fault_16_then_12_a_run_paused_by_hands_ends_by_the_emergency_stop(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path) as hands:
        await while_a_run_moves(hands)
        hands.press("hands_in")
        await hands.told("procedure", state="paused")
        hands.press("emergency_stop")
        await hands.told("procedure", state="failed")
        hands.release("hands_in")
        await hands.rearmed()
        await hands.bench.rests(2.0)
        assert hands.began() == []
        await hands.ready()


@pytest.mark.parametrize("what", ["emergency_stop", "hands_in"])
async def test_a_press_shortly_before_or_after_a_command_is_taken_is_obeyed_within_one_poll(
    tmp_path: Path, what: str
) -> None:
    """At rest it is looked at seldom; whoever is about to move has it looked at anew."""
    async with at_the_bench(tmp_path) as hands:
        for turn in range(24):
            before_s = 0.0125 * (turn - 4)  # from 50 ms after the command to 240 ms before it
            await asyncio.sleep(1.0 + 0.013 * turn)
            if before_s >= 0.0:
                hands.press(what)
                await asyncio.sleep(before_s)
            move = asyncio.create_task(hands.client.do("move", carriage_um=FAR_UM if turn % 2 else NEAR_UM + 5000.0))
            if before_s < 0.0:
                await asyncio.sleep(-before_s)
                hands.press(what)
            with pytest.raises(BenchdError):
                await move
            assert hands.stopped_after_s() <= (MOVING_S if before_s < 0.0 else RESTING_S) + WIRE_S, turn
            begun = [at for at, data in hands.written() if begins(data)]
            assert not begun or before_s < MOVING_S * 2 + WIRE_S, "it was read since"
            hands.release(what)
            if what == "emergency_stop":
                await hands.rearmed()
                await hands.ready()
            await asyncio.sleep(1.0)


FAULTS: dict[str, tuple[tuple[str, str, dict[str, Any]], tuple[str, str, dict[str, Any]]]] = {
    "unplugged": (("inputs", "unplug", {}), ("inputs", "plug", {})),
    "silent": (("inputs", "silence", {"s": 1e6}), ("inputs", "clear", {})),
    "garbled": (("inputs", "corrupt", {"n": 10_000}), ("inputs", "clear", {})),
    "wire_cut": (("world", "wire_cut", {}), ("world", "wire_cut", {"value": False})),
    "scattered": (("world", "contacts_scattered", {}), ("world", "contacts_scattered", {"value": False})),
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("what", ["emergency_stop", "hands_in"])
async def test_a_switch_that_cannot_be_read_counts_as_pressed(tmp_path: Path, fault: str, what: str) -> None:
    async with at_the_bench(tmp_path) as hands:
        bench, client = hands.bench, hands.client
        (who, breaks, args), (whose, mends, again) = FAULTS[fault]
        await while_it_moves(hands)
        hands.acted_s = asyncio.get_running_loop().time()
        await bench.fault(who, breaks, **({"value": what} if who == "world" else args))
        await hands.told(f"device/{what}", pressed=True, latched=what == "emergency_stop")
        assert hands.stopped_after_s() <= UNREAD_S + MOVING_S + WIRE_S
        await asyncio.sleep(1.0)
        assert not bench.machine.motor.moving
        if fault not in ("wire_cut", "scattered"):
            assert "counts as pressed" in (await client.kept("device/carriage"))["text"]
            with pytest.raises(StackFailed, match="still pressed, or cannot be read"):
                await bench.rearm()
        await bench.fault(whose, mends, **again)
        await asyncio.sleep(5.0)
        latched = (await client.kept("device/emergency_stop"))["latched"]
        assert latched is (what == "emergency_stop" or who == "inputs"), "both hang on one line"
        assert (await hands.told("device/hands_in", pressed=False))["since"] is None
        if latched:
            await bench.rearm()
        await bench.rests(2.0)
        assert hands.began() == []
        await asyncio.sleep(0.5)
        await hands.ready()


async def test_one_answer_that_is_damaged_or_late_is_no_press(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path) as hands:
        await hands.bench.fault("inputs", "corrupt", n=1)
        await hands.client.do("move", carriage_um=FAR_UM)
        await hands.bench.fault("inputs", "late", n=1, s=0.2)
        await hands.client.do("move", carriage_um=NEAR_UM)
        assert (hands.count("emergency_stop"), hands.count("hands_in")) == (0, 0)


@pytest.mark.parametrize("ends", ["in_order", "killed"])
async def test_a_latch_outlasts_the_daemon_however_it_ends(tmp_path: Path, ends: str) -> None:
    async with at_the_bench(tmp_path) as hands:
        bench = hands.bench
        await while_it_moves(hands)
        hands.press("emergency_stop")
        pressed = await hands.told("device/emergency_stop", latched=True)
        await asyncio.sleep(0.5)
        hands.release("emergency_stop")
        await (bench.end_daemon() if ends == "in_order" else bench.kill_daemon())
        await bench.start_daemon()
        async with bench.client("technician") as client:
            hands.client = client
            await client.command("take", beat=False, force=True)
            kept = await hands.told("device/emergency_stop", latched=True, pressed=False)
            assert kept["since"] == pressed["since"]
            with pytest.raises(Refused, match="stop_button"):
                await client.command("home", axes=["carriage"])
            await bench.rearm()
            await asyncio.sleep(0.5)
            await bench.end_daemon()
        await bench.start_daemon()
        async with bench.client("technician") as client:
            hands.client = client
            await client.command("take", beat=False, force=True)
            assert (await client.kept("device/emergency_stop"))["latched"] is False
            await hands.ready()


@pytest.mark.parametrize("what", ["emergency_stop", "hands_in"])
async def test_what_is_pressed_while_nobody_watches_bars_motion_from_the_start(tmp_path: Path, what: str) -> None:
    async with at_the_bench(tmp_path) as hands:
        bench = hands.bench
        await bench.end_daemon()
        hands.press(what)
        await asyncio.sleep(1.0)
        await bench.start_daemon()
        async with bench.client("technician") as client:
            hands.client = client
            await client.command("take", beat=False, force=True)
            await asyncio.sleep(0.5)
            with pytest.raises(Refused) as refused:
                await client.command("home", axes=["carriage"])
            assert (refused.value.code, refused.value.data["role"]) == ("interlock", what)
            hands.release(what)
            await asyncio.sleep(1.0)
            assert (await client.kept(f"device/{what}"))["latched"] is (what == "emergency_stop")
            if what == "emergency_stop":
                await bench.rearm()
                await asyncio.sleep(0.5)
            await hands.ready()
