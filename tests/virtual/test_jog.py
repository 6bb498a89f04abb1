"""Moving by hand, hold-to-run: it goes on as long as somebody says so, and no order of messages revives what has ended.

Bytes are those towards the controller; where the carriage stands is asked of the world.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import random
import re
import secrets
from collections.abc import AsyncIterator
from typing import Any, cast

import pytest
import pytest_asyncio

from benchd.client.bench_client import BenchClient
from benchd.devices import now_s
from benchd.errors import BenchdError, Refused
from stack import CONFIGS
from tests.virtual.benches import VirtualBench
from tests.virtual.ends.serial_end import MemoryPort

pytestmark = pytest.mark.asyncio(loop_scope="module")

LAPSES_S, STOP_BYTE_S = 0.3, 0.35
"""After the last refresh was received (the project's own figures)."""
SEGMENT_S = 0.5
"""What a daemon that dies may cost, and a little."""
SETTLES_S = 0.15
"""So long the carriage rings after a stop, as the bench file has it (`settle_ms`); a hold's end is told before."""
FAST_UM_S = 400.0
MIDDLE_UM = 12_000.0
DEEP, UNMEASURED = "L-0900", "L-0901"
LENS = (CONFIGS / "workshop" / "lenses" / "L-0417.yaml").read_text(encoding="utf-8").replace("L-0417", DEEP)
REAR = re.compile(r"(?m)^rear_protrusion_mm:.*\n")
FILES = {
    f"lenses/{DEEP}.yaml": REAR.sub("rear_protrusion_mm: 40\n", LENS),
    f"lenses/{UNMEASURED}.yaml": REAR.sub("", LENS.replace(DEEP, UNMEASURED)),
}
STOPS = (b"\x85", b"!", b"\x18")


class Board:
    """What the daemon writes to the controller, with its times."""

    def __init__(self, bench: VirtualBench) -> None:
        self.sent: list[tuple[float, bytes]] = []
        port = cast(MemoryPort, bench.rig.cables["board"].port)
        port.wrote = lambda data: self.sent.append((now_s(), data))

    def stop_byte_s(self, since_s: float) -> float:
        return min(at_s for at_s, data in self.sent if at_s >= since_s and any(stop in data for stop in STOPS))

    def jogs(self, since_s: float = 0.0) -> list[tuple[float, bytes]]:
        return [(at_s, data) for at_s, data in self.sent if b"$J=" in data and at_s >= since_s]


class Finger:
    """One hold, message by message; `when_s` is when each was sent."""

    def __init__(self, client: BenchClient) -> None:
        self._client = client
        self.name = secrets.token_hex(4)
        self.first = secrets.token_hex(4)
        self.seq = 0
        self.last_s = 0.0

    async def say(self, speed_um_s: float, seq: int | None = None) -> dict[str, Any]:
        self.seq += 1
        ident = self.first if self.seq == 1 else None
        number = self.seq if seq is None else seq
        self.last_s = now_s()
        args: dict[str, Any] = {"speed_um_s": speed_um_s, "hold": self.name, "seq": number}
        return await self._client.command("jog", ident=ident, at_once=self.seq > 1, **args)

    async def hold(self, speed_um_s: float, for_s: float) -> None:
        ends = now_s() + for_s
        while now_s() < ends:
            await self.say(speed_um_s)
            await asyncio.sleep(0.1)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    async with VirtualBench(tmp_path_factory.mktemp("jog"), files=FILES) as bench:
        bench.ask_world({"do": "remove", "what": "lens"})
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def client(bench: VirtualBench) -> AsyncIterator[BenchClient]:
    """Somebody in control, the carriage homed in the middle of an empty bench."""
    async with bench.client("rail") as client:
        await client.command("take", beat=False, force=True)
        await client.command("setup", set={"lens": None, "adapters": [], "glass": []})
        await client.do("home", axes=["carriage"], only_if_unhomed=True)
        await client.do("move", carriage_um=MIDDLE_UM)
        yield client


def lag(client: BenchClient, seconds: float) -> None:
    """From now on what is sent takes so much longer, either way."""
    raw = cast(Any, client)._client
    raw._up.lag_s = raw._down.lag_s = seconds


async def end_of(client: BenchClient, ident: str) -> dict[str, Any]:
    async with asyncio.timeout(60):
        async for _, event in client.watch("event"):
            if event["cause"] == ident and event["code"] in ("done", "stopped", "not_homed", "interlock"):
                return dict(event)
    raise AssertionError


async def test_it_moves_while_it_is_held_and_smoothly(bench: VirtualBench, client: BenchClient) -> None:
    before_um = bench.place_um()
    async with client.holding(speed_um_s=FAST_UM_S) as hold:
        await asyncio.sleep(0.3)
        seen = []
        for _ in range(100):
            seen.append(bench.place_um())
            await asyncio.sleep(0.01)
    steps = [after - before for before, after in itertools.pairwise(seen)]
    assert min(steps) > 0.7 * FAST_UM_S * 0.01, "it never slackens from one segment to the next"
    stands_um = await bench.rests(0.5)
    assert hold.ended["ended"] == "let go"
    assert hold.ended["carriage_um"] == pytest.approx(stands_um, abs=5.0)  # noise, and the scale's own error
    assert 1.0 < (stands_um - before_um) / FAST_UM_S < 1.7
    await client.do("move", carriage_um=MIDDLE_UM)


async def test_fault_13_a_client_that_dies_lets_go(bench: VirtualBench, client: BenchClient) -> None:
    for speed_um_s in (FAST_UM_S, -FAST_UM_S):
        board, finger = Board(bench), Finger(client)
        ending = asyncio.ensure_future(end_of(client, finger.first))
        await finger.hold(speed_um_s, 1.0)
        last_s = finger.last_s
        told = await ending
        took_s = board.stop_byte_s(last_s) - last_s
        assert LAPSES_S - 0.02 <= took_s <= STOP_BYTE_S
        assert (told["code"], told["data"]["ended"]) == ("done", "lapsed")
        await asyncio.sleep(SETTLES_S)
        stands_um = await bench.rests(0.5)
        overshoot_um = told["data"]["overshoot_um"]
        assert 0.0 <= overshoot_um * (1 if speed_um_s > 0 else -1) < 30.0, "what it goes on after the byte is published"
        assert told["data"]["carriage_um"] == pytest.approx(stands_um, abs=5.0)
        with pytest.raises(Refused) as dead:
            await finger.say(speed_um_s)
        assert dead.value.code == "stale"
        await bench.rests(0.5)


async def test_fault_13_a_connection_that_is_cut_lets_go(bench: VirtualBench, client: BenchClient) -> None:
    board = Board(bench)
    async with bench.client("rail") as phone:
        finger = Finger(phone)
        await finger.hold(FAST_UM_S, 0.5)
        cast(Any, phone)._client.cut()
        last_s = finger.last_s
        await asyncio.sleep(1.0)
        assert board.stop_byte_s(last_s) - last_s <= STOP_BYTE_S
        await bench.rests(0.5)
    await client.do("move", carriage_um=MIDDLE_UM)


async def test_fault_13_a_daemon_that_is_killed_costs_one_segment(tmp_path_factory: pytest.TempPathFactory) -> None:
    async with VirtualBench(tmp_path_factory.mktemp("killed")) as bench, bench.client("rail") as client:
        await client.command("take", beat=False)
        await client.do("home", axes=["carriage"])
        finger = Finger(client)
        await finger.hold(FAST_UM_S, 0.6)
        await bench.kill_daemon()
        at_um = bench.place_um()
        await asyncio.sleep(SEGMENT_S + 0.1)
        assert 0.0 < bench.place_um() - at_um <= SEGMENT_S * FAST_UM_S
        await bench.rests(0.5)


async def test_fault_18c_over_a_slow_network_it_is_usable_and_lapses(bench: VirtualBench, client: BenchClient) -> None:
    """150 ms each way: it goes on smoothly, and stops as soon as the let-go is there."""
    async with bench.client("rail") as phone:
        lag(phone, 0.15)
        before_um = bench.place_um()
        async with phone.holding(speed_um_s=FAST_UM_S) as hold:
            await asyncio.sleep(0.4)
            seen = []
            for _ in range(150):
                seen.append(bench.place_um())
                await asyncio.sleep(0.01)
        assert min(after - before for before, after in itertools.pairwise(seen)) > 0.7 * FAST_UM_S * 0.01
        assert hold.ended["ended"] == "let go"
        assert (await bench.rests(0.5, ringing_um=1.0) - before_um) / FAST_UM_S < 2.3
    await client.do("move", carriage_um=MIDDLE_UM)


@pytest.mark.parametrize("alive", [False, True])
async def test_fault_18c_what_a_network_held_up_and_brings_in_a_burst_moves_nothing(
    bench: VirtualBench, client: BenchClient, alive: bool
) -> None:
    """It stalls for 2 s under a hold, or as a hold begins; then all comes at once, and each message twice."""
    async with bench.client("rail") as phone:
        board, finger = Board(bench), Finger(phone)
        if alive:
            await finger.hold(FAST_UM_S, 0.5)
        last_s = now_s()
        raw = cast(Any, phone)._client
        raw.stall(True)
        bench.broker.twice = 40
        sending = [asyncio.ensure_future(finger.say(FAST_UM_S)) for _ in range(1)]
        for _ in range(19):
            await asyncio.sleep(0.1)
            sending.append(asyncio.ensure_future(finger.say(FAST_UM_S)))
        await asyncio.sleep(0.1)
        if alive:
            assert board.stop_byte_s(last_s) - last_s <= STOP_BYTE_S
        await bench.rests(0.2)
        quiet_s = now_s()
        raw.stall(False)
        said = await asyncio.gather(*sending, return_exceptions=True)
        bench.broker.twice = 0
        codes = [getattr(one, "code", None) for one in said]
        assert set(codes) <= {"stale", "timeout"}, "timeout: not even sent, without a beat"
        assert codes.count("stale") >= 5
        await bench.rests(0.5)
        assert not board.jogs(quiet_s)
    await client.do("move", carriage_um=MIDDLE_UM)


async def test_fault_18c_a_network_that_jitters_and_repeats_never_goes_on_after_the_let_go(
    bench: VirtualBench, client: BenchClient
) -> None:
    chance = random.Random(18)
    async with bench.client("rail") as phone:
        for _ in range(10):
            board, finger = Board(bench), Finger(phone)
            bench.broker.twice = 10
            sending = []
            for _ in range(8):
                lag(phone, chance.uniform(0.0, 0.3))
                sending.append(asyncio.ensure_future(finger.say(chance.choice((-1, 1)) * FAST_UM_S)))
                await asyncio.sleep(0.1)
            sending.append(asyncio.ensure_future(finger.say(0.0)))
            *_, let_go = await asyncio.gather(*sending, return_exceptions=True)
            answered_s = now_s()
            if not isinstance(let_go, BaseException):
                assert let_go == {"held": False}
            await asyncio.sleep(0.2)
            await bench.rests(0.5, ringing_um=1.0)
            assert not board.jogs(answered_s)
    bench.broker.twice = 0
    await client.do("move", carriage_um=MIDDLE_UM)


async def test_fault_6_it_stops_inside_the_soft_limits_and_goes_away_from_them(
    bench: VirtualBench, client: BenchClient
) -> None:
    low_um, high_um = (await client.kept("device/carriage"))["limits_um"]
    for near_um, end_um, speed_um_s in ((high_um - 150, high_um, FAST_UM_S), (low_um + 150, low_um, -FAST_UM_S)):
        await client.do("move", carriage_um=near_um)
        async with client.holding(speed_um_s=speed_um_s) as hold:
            await asyncio.sleep(1.5)
            at_um = await bench.rests(0.3)
            assert at_um == pytest.approx(end_um, abs=6.0)  # the screw's error between motor and scale
        assert hold.ended["carriage_um"] == pytest.approx(end_um, abs=6.0)
        async with client.holding(speed_um_s=-speed_um_s):
            await asyncio.sleep(0.6)
        assert abs(await bench.rests(0.3, ringing_um=1.0) - end_um) > 150.0
    assert (await client.kept("device/carriage"))["homed"]


async def test_fault_14_nothing_is_left_in_the_queue_after_a_stop(bench: VirtualBench, client: BenchClient) -> None:
    finger = Finger(client)
    ending = asyncio.ensure_future(end_of(client, finger.first))
    await finger.hold(FAST_UM_S, 0.7)
    await client.stop()
    assert (await ending)["code"] == "stopped"
    board = Board(bench)
    for _ in range(3):  # the finger does not know yet
        with pytest.raises(BenchdError):
            await finger.say(FAST_UM_S)
        await asyncio.sleep(0.1)
    await bench.rests(1.0)
    assert not board.jogs()
    assert (await client.kept("device/carriage"))["homed"], "an ordinary stop costs no trust"


async def test_fault_38_what_was_let_go_stays_so_in_whatever_order_its_messages_come(
    bench: VirtualBench, client: BenchClient
) -> None:
    board = Board(bench)
    finger = Finger(client)
    assert await finger.say(0.0, seq=5) == {"held": False}, "the end has overtaken the beginning"
    with pytest.raises(Refused) as late:
        await finger.say(FAST_UM_S, seq=4)
    assert late.value.code == "stale"
    await bench.rests(0.5)
    assert not board.jogs()
    finger = Finger(client)
    await finger.say(FAST_UM_S, seq=1)
    assert await finger.say(0.0, seq=7) == {"held": False}
    let_go_s = now_s()
    for seq in (6, 8):
        with pytest.raises(Refused) as late:
            await finger.say(FAST_UM_S, seq=seq)
        assert late.value.code == "stale"
    await bench.rests(0.5)
    assert not board.jogs(let_go_s)


async def test_a_slower_speed_that_was_overtaken_is_not_taken_up_again(
    bench: VirtualBench, client: BenchClient
) -> None:
    finger = Finger(client)
    await finger.say(40.0, seq=1)
    await finger.say(-40.0, seq=3)
    with pytest.raises(Refused):
        await finger.say(40.0, seq=2)
    await asyncio.sleep(0.15)
    before_um = bench.place_um()
    await finger.say(-40.0, seq=4)
    await asyncio.sleep(0.15)
    assert bench.place_um() < before_um
    ending = asyncio.ensure_future(end_of(client, finger.first))
    await finger.say(0.0, seq=9)
    await ending
    await bench.rests(0.5, ringing_um=1.0)


async def test_a_beat_from_before_a_stop_holds_nothing(bench: VirtualBench, client: BenchClient) -> None:
    beat = (await client.kept("beat"))["beat"]
    await client.stop()
    board = Board(bench)
    told = client.watch("event")
    request = {"id": "held-before", "beat": beat, "args": {"speed_um_s": 40.0, "hold": "before", "seq": 1}}
    await client._publish(client.topics.command(client.user, "jog"), json.dumps(request).encode())
    async with asyncio.timeout(60):
        event = await anext(doc async for _, doc in told if doc["cause"] == "held-before")
    assert event["code"] == "stale"
    assert not board.jogs()


async def test_to_let_go_needs_neither_control_nor_a_beat(bench: VirtualBench, client: BenchClient) -> None:
    """Whoever holds on may have lost control, or contact, meanwhile: to end a motion is nothing to ask leave for."""
    finger = Finger(client)
    await finger.hold(FAST_UM_S, 0.5)
    async with bench.client("wall") as wall:
        await wall.command("take", beat=False, force=True)
        board, let_go_s = Board(bench), now_s()
        let_go: dict[str, Any] = {"speed_um_s": 0.0, "hold": finger.name, "seq": finger.seq + 1}
        assert await client.command("jog", beat=False, at_once=True, **let_go) == {"held": False}
        await asyncio.sleep(0.05)
        assert board.stop_byte_s(let_go_s) - let_go_s < 0.05, "it did not wait for the hold to lapse"
        with pytest.raises(Refused) as anew:
            await client.command("jog", speed_um_s=40.0, hold="anew", seq=1)
        assert anew.value.code == "not_holder"
        await bench.rests(0.5, ringing_um=1.0)
        await client.command("take", beat=False, force=True)


async def test_what_may_not_be_moved_by_hand_is_refused_and_nothing_moves(
    bench: VirtualBench, client: BenchClient
) -> None:
    board = Board(bench)
    async with bench.client("stranger") as stranger:
        for who, args, code in (
            (client, {"speed_um_s": 401.0}, "limit"),
            (client, {"speed_um_s": 40.0, "axis": "lamp"}, "unknown_name"),
            (stranger, {"speed_um_s": 40.0}, "not_holder"),
        ):
            with pytest.raises(Refused) as refused:
                await who.command("jog", hold=secrets.token_hex(3), seq=1, **args)
            assert refused.value.code == code
    await bench.rests(0.3)
    assert not board.jogs()


async def test_a_second_hold_waits_until_the_first_is_over(bench: VirtualBench, client: BenchClient) -> None:
    async with client.holding(speed_um_s=40.0):
        with pytest.raises(Refused) as second:
            await client.command("jog", speed_um_s=-40.0, hold="second", seq=1)
        assert second.value.code == "busy"
        with pytest.raises(Refused) as move:
            await client.command("move", carriage_um=5000.0)
        assert move.value.code == "busy"
    await client.do("move", carriage_um=MIDDLE_UM)


async def test_fault_18a_clearance_holds_for_a_hand_as_well(bench: VirtualBench, client: BenchClient) -> None:
    """The rear of this lens would reach the target within the travel."""
    await client.command("setup", set={"lens": DEEP, "adapters": ["ring-07"], "glass": []})
    with pytest.raises(Refused) as told:
        await client.command("move", carriage_um=(await client.kept("device/carriage"))["limits_um"][0])
    assert told.value.code == "clearance"
    least_um = float(told.value.data["least_um"])
    await client.do("move", depth_um=least_um + 400.0)
    async with client.holding(speed_um_s=-FAST_UM_S):
        await asyncio.sleep(2.0)
        await bench.rests(0.3)
    state = await client.kept("device/carriage")
    assert least_um - 1.0 <= state["depth_um"] <= least_um + 10.0
    await client.command("setup", set={"lens": UNMEASURED})
    with pytest.raises(Refused, match="not in its record"):
        await client.command("jog", speed_um_s=-40.0, hold="unmeasured", seq=1)


async def test_nothing_moves_by_hand_while_a_run_is_under_way(bench: VirtualBench, client: BenchClient) -> None:
    await client.command("setup", set={"lens": None, "adapters": [], "glass": []})
    run = await client.run("flange_check", {"lens": "L-0417", "adapters": ["ring-07"], "distance_mm": 5000.0})
    board = Board(bench)
    with pytest.raises(Refused) as busy:
        await client.command("jog", speed_um_s=40.0, hold="in-a-run", seq=1)
    assert busy.value.code == "busy"
    assert not board.jogs()
    await client.command("abort", beat=False, run=run)
    async for _ in client.follow(run):
        pass


async def test_lost_trust_ends_it(bench: VirtualBench, client: BenchClient) -> None:
    finger = Finger(client)
    ending = asyncio.ensure_future(end_of(client, finger.first))
    await finger.hold(FAST_UM_S, 0.5)
    bench.ask_world({"do": "fault", "who": "world", "what": "lose_steps", "args": {"value": 2000}})
    told = await ending
    assert told["code"] != "done"
    await bench.rests(0.5)
    assert not (await client.kept("device/carriage"))["homed"]
    with pytest.raises(Refused) as untrusted:
        await client.command("jog", speed_um_s=40.0, hold="untrusted", seq=1)
    assert untrusted.value.code == "not_homed"
