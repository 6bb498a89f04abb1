"""The gates one by one: JSON, beat, ids, lease, topics; and ten thousand payloads that nobody meant."""

from __future__ import annotations

import asyncio
import json
import math
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.bench.events import Events
from benchd.bench.notices import Notices
from benchd.commands.address import CommandAddress
from benchd.commands.beat import Beat
from benchd.commands.control import Control, Roles
from benchd.commands.events import LimitedEvents
from benchd.commands.ids import SeenIds
from benchd.commands.intake import Intake, Request
from benchd.commands.json_gate import read_object
from benchd.devices.clock import Clock
from benchd.errors import ERROR_CODES, Refused
from benchd.files.broker_account import Account
from benchd.mqtt.connection import endpoint_of
from benchd.mqtt.topics import Topics
from benchd.remote.encoding import encode
from benchd.remote.stop_connection import read_stop
from benchd.verbs.setup import SetupArgs
from benchd.verbs.table import VERBS

TOPICS = Topics("north-rail")


class HandClock(Clock):
    """Time that stands until it is moved on; the wall clock is another one and jumps about."""

    def __init__(self) -> None:
        self.now = 1000.0

    def monotonic(self) -> float:
        return self.now


class Gates:
    """An intake on a hand-moved clock, what passed it in `done`."""

    def __init__(self, **users: Any) -> None:
        self.clock = HandClock()
        self.notices = Notices()
        self.stopped_s = -math.inf
        self.beat = Beat(self.clock, lambda: self.stopped_s)
        self.beat.feed()
        self.done: list[Request] = []
        self.roles = Roles(users)
        self.running: str | None = None
        self.control = Control(self.clock, self.roles, self.notices, run_of=lambda: self.running)
        self.ids = SeenIds(self.clock)
        self.intake = Intake(
            dict.fromkeys(VERBS, self.record),
            control=self.control,
            roles=self.roles,
            beat=self.beat,
            ids=self.ids,
            events=LimitedEvents(Events(self.notices, None, self.clock), self.clock),
        )

    async def record(self, request: Request) -> dict[str, Any]:
        if request.verb in ("take", "release"):  # these the lease carries out, without a bench
            getattr(self.control, request.verb)(request.user, **request.args.model_dump())
            return {"holder": self.control.holder}
        self.done.append(request)
        return {}

    def holds_up(self, verb: str) -> asyncio.Event:
        """What that verb does waits for the event from now on."""
        gate = asyncio.Event()

        async def slow(request: Request) -> dict[str, Any]:
            await gate.wait()
            return await self.record(request)

        self.intake._handlers[verb] = slow
        return gate

    async def ask(self, user: str, verb: str, ident: str, **rest: Any) -> str:
        """`ok`, or the code of the refusal."""
        document = {"id": ident, **rest}
        reply = await self.intake.handle(CommandAddress(user, verb), json.dumps(document).encode())
        assert reply["id"] == ident
        return "ok" if reply["ok"] else str(reply["error"]["code"])


def refusal(raw: bytes) -> str:
    with pytest.raises(Refused) as caught:
        read_object(raw)
    return caught.value.code


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        (b"", "bad_request"),
        (b"null", "bad_request"),
        (b"[]", "bad_request"),
        (b'"x"', "bad_request"),
        (b"{", "bad_request"),
        (b"{}{}", "bad_request"),
        (b"\xef\xbb\xbf{}", "bad_request"),
        (b'{"a":"\xff"}', "bad_request"),
        (b'{"a":"\\ud800"}', "bad_request"),
        (b'{"\\udfff":1}', "bad_request"),
        (b'{"a":1,"a":1}', "bad_request"),
        (b'{"x":{"a":1,"\\u0061":2}}', "bad_request"),
        (b'{"a":NaN}', "bad_request"),
        (b'{"a":-Infinity}', "bad_request"),
        (b'{"a":1e400}', "bad_request"),
        (b'{"a":9223372036854775808}', "bad_request"),
        (b'{"a":' + b"9" * 5000 + b"}", "bad_request"),
        (b'{"a":' * 17 + b"1" + b"}" * 17, "too_large"),
        (b"[" * 15000, "too_large"),
        (b'{"a":"' + b"x" * 16384 + b'"}', "too_large"),
    ],
)
def test_json_that_is_refused(raw: bytes, code: str) -> None:
    assert refusal(raw) == code


def test_json_at_its_limits_passes() -> None:
    assert read_object(b'{"a":' * 15 + b"[]" + b"}" * 15)
    assert read_object(b'{"a":"' + b"x" * (16384 - 8) + b'"}')
    assert read_object(b'{"a":"[[[[[[[[[[[[[[[[[[[[[[[[","b":"\\"{{{{{{{{{{{{{{{{{{{{"}')
    assert read_object(b'{"a":9223372036854775807,"b":-9223372036854775808}')
    assert read_object('{"a":"é\\ud83d\\ude00"}'.encode()) == {"a": "é😀"}


plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=20,
)


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=8), plain, max_size=5))
def test_what_is_proper_passes_unchanged(document: dict[str, Any]) -> None:
    try:
        raw = json.dumps(document).encode()
        "".join(document).encode()
        json.dumps(document, ensure_ascii=False).encode()
    except UnicodeError:
        return
    if len(raw) <= 16384:
        assert read_object(raw) == json.loads(raw)


def test_beat_is_young_for_three_seconds_by_the_daemons_clock() -> None:
    clock = HandClock()
    beat = Beat(clock)
    first = beat.feed()
    assert first is not None
    for age, fresh in [(0.0, True), (2.9, True), (3.0, True), (3.1, False), (60.0, False)]:
        clock.now = 1000.0 + age
        if fresh:
            beat.check(first)
        else:
            with pytest.raises(Refused):
                beat.check(first)


def test_beats_not_given_out_are_stale() -> None:
    clock = HandClock()
    beat = Beat(clock)
    now = beat.feed()
    assert now is not None
    epoch = beat.epoch
    wrong_counts = ["", "0", "2", "01", "+1", " 1", "1.0", "1 ", "1X", "\u0661"]
    others = [None, "", "-", epoch, f"x{now}", f"-{now}", Beat(clock).feed()]
    for wrong in others + [f"{epoch}-{count}" for count in wrong_counts]:
        with pytest.raises(Refused) as caught:
            beat.check(wrong)
        assert caught.value.code == "stale"
    beat.check(now)


def test_beat_advances_once_a_second_and_stops_with_the_loop() -> None:
    clock = HandClock()
    beat = Beat(clock)
    given_out = []
    for _ in range(100):
        clock.now += 0.1
        given_out.append(beat.feed())
    assert 10 <= sum(each is not None for each in given_out) <= 11
    clock.now += 10  # the loop hung: what clients hold is stale now
    with pytest.raises(Refused):
        beat.check(beat.current)


def test_a_stop_voids_what_was_given_out_before_it_and_the_next_look_gives_out_a_new_one() -> None:
    clock, stops = HandClock(), [-math.inf]
    beat = Beat(clock, lambda: stops[-1])
    before = beat.feed()
    clock.now += 0.2
    stops.append(clock.now)
    with pytest.raises(Refused, match="A stop came after this was asked for") as caught:
        beat.check(before)
    assert (caught.value.code, caught.value.data) == ("stale", {"stopped": True})
    at_once = beat.feed()
    with pytest.raises(Refused):
        beat.check(at_once)  # drawn in the very instant of the stop: not after it
    clock.now += 0.02
    after = beat.feed()
    assert after is not None
    beat.check(after)
    clock.now += 0.5
    assert beat.feed() is None, "from here on once a second"
    beat.check(after)


@pytest.mark.parametrize(
    ("verb", "args"),
    [
        ("home", {}),
        ("nominal", {}),
        ("move", {"by_um": 1.0}),
        ("sweep", {}),
        ("run", {"procedure": "flange_check"}),
        ("resume", {"run": "r-0001"}),
        ("setup", {"set": {"trim_um": 1.0}, "follow": True}),
    ],
)
async def test_nothing_that_can_move_is_begun_by_a_beat_from_before_a_stop(verb: str, args: dict[str, Any]) -> None:
    gates = Gates()
    gates.control.take("alice")
    beat = gates.beat.current
    gates.clock.now += 0.1
    gates.stopped_s = gates.clock.now
    assert await gates.ask("alice", verb, "1", beat=beat, args=args) == "stale"
    gates.clock.now += 0.1
    assert await gates.ask("alice", verb, "2", beat=beat, args=args) == "stale"
    gates.beat.feed()
    assert await gates.ask("alice", verb, "3", beat=gates.beat.current, args=args) == "ok"
    assert [request.id for request in gates.done] == ["3"]


async def test_what_waited_for_its_turn_while_a_stop_came_is_not_begun() -> None:
    gates = Gates()
    gates.control.take("alice")
    gate = asyncio.Event()

    async def slow(_: Request) -> dict[str, Any]:
        await gate.wait()
        return {}

    gates.intake._handlers["read"] = slow
    first = asyncio.create_task(gates.ask("alice", "read", "1", args={"device": "position"}))
    await asyncio.sleep(0)
    second = asyncio.create_task(gates.ask("alice", "home", "2", beat=gates.beat.current))
    await asyncio.sleep(0)
    gates.stopped_s = gates.clock.now = gates.clock.now + 0.1
    gate.set()
    assert (await first, await second) == ("ok", "stale")


async def test_a_retained_command_that_is_right_in_everything_else_is_refused() -> None:
    """Where its flag arrives it is refused, whatever it says; the same order, sent anew, is carried out."""
    gates = Gates()
    gates.control.take("alice")
    for verb, args in (("home", {}), ("light", {"level": 0.5}), ("note", {"run": "r-1", "text": "seen"})):
        order = json.dumps({"id": f"kept-{verb}", "beat": gates.beat.current, "args": args}).encode()
        reply = await gates.intake.handle(CommandAddress("alice", verb), order, retained=True)
        assert (reply["ok"], reply["id"], reply["error"]["code"]) == (False, f"kept-{verb}", "retained")
        assert gates.done == []
        assert (await gates.intake.handle(CommandAddress("alice", verb), order))["ok"], "its id was not used up"
        gates.done.clear()


async def test_what_was_refused_as_stale_may_be_asked_again_under_its_id() -> None:
    """A program that repeats an order under the same id, as after a time-out, was told 'duplicate' of a refusal."""
    gates = Gates()
    gates.control.take("alice")
    old = gates.beat.current
    gates.clock.now += 4.0
    assert await gates.ask("alice", "home", "h1", beat=old) == "stale"
    assert await gates.ask("alice", "home", "h1") == "stale"
    assert await gates.ask("alice", "home", "h1", beat="zzzzzz-1") == "stale"
    gates.beat.feed()
    assert await gates.ask("alice", "home", "h1", beat=gates.beat.current) == "ok"
    assert await gates.ask("alice", "home", "h1", beat=gates.beat.current) == "duplicate"
    assert [request.id for request in gates.done] == ["h1"]


def test_ids_are_kept_a_minute() -> None:
    clock = HandClock()
    ids = SeenIds(clock)
    ids.take("a", "c1")
    ids.take("b", "c1")
    clock.now += 59
    with pytest.raises(Refused) as caught:
        ids.take("a", "c1")
    assert caught.value.code == "duplicate"
    assert caught.value.advice == "Each id is carried out once; send a new one."
    clock.now += 2
    ids.take("a", "c1")
    assert len(ids) == 1


def test_ids_are_bounded_and_a_flood_forgets_nothing() -> None:
    clock = HandClock()
    ids = SeenIds(clock, most=20, most_per_user=10)
    for n in range(10):
        ids.take("flood", f"{n}")
    with pytest.raises(Refused) as caught:
        ids.take("flood", "more")
    assert caught.value.code == "busy"
    ids.take("other", "1")
    with pytest.raises(Refused) as caught:
        ids.take("flood", "0")
    assert caught.value.code == "duplicate"
    clock.now += 61
    ids.take("flood", "more")
    assert len(ids) == 1


async def test_control_lapses_after_a_minute_but_not_during_the_holders_run() -> None:
    gates = Gates()
    assert await gates.ask("alice", "take", "1") == "ok"
    gates.clock.now += 59
    assert await gates.ask("alice", "read", "2", args={"device": "position"}) == "ok"
    gates.clock.now += 59
    assert gates.control.holder == "alice"
    gates.running = "alice"
    gates.clock.now += 600
    assert gates.control.holder == "alice"
    assert await gates.ask("bob", "take", "3") == "not_holder"
    gates.running = None
    gates.clock.now += 59
    assert gates.control.holder == "alice"
    gates.clock.now += 2
    gates.control.tell()
    assert gates.notices.snapshot()["control"] == {"holder": None, "since": None, "idle_s": None}
    assert await gates.ask("bob", "take", "4") == "ok"


async def test_roles_rise_from_look_to_keep() -> None:
    gates = Gates(ann="look", ben="answer", cid="drive", dot="keep")
    answer = {"args": {"ask": "a-1", "value": True}}
    accept = {"args": {"finding": "f-1", "days": 180}}
    table = {
        "ann": ("not_allowed", "not_allowed", "not_allowed"),
        "ben": ("ok", "not_allowed", "not_allowed"),
        "cid": ("ok", "ok", "not_allowed"),
        "dot": ("ok", "ok", "ok"),
        "eve": ("not_allowed", "not_allowed", "not_allowed"),
    }
    for user, expected in table.items():
        got = (
            await gates.ask(user, "answer", f"{user}1", **answer),
            await gates.ask(user, "light", f"{user}2", args={"on": True}),
            await gates.ask(user, "accept", f"{user}3", **accept),
        )
        assert got == expected, user


async def test_while_a_run_is_under_way_its_light_is_the_holders() -> None:
    """A second person's lamp made a run fail with 'pixels at full scale': light needed no control, whoever ran what."""
    gates = Gates()
    light = {"args": {"level": 0.5}}
    assert await gates.ask("bob", "light", "1", **light) == "ok", "nothing runs"
    gates.control.take("alice")
    assert await gates.ask("bob", "light", "2", **light) == "ok"
    gates.running = "alice"
    assert await gates.ask("alice", "light", "3", **light) == "ok"
    reply = await gates.intake.handle(CommandAddress("bob", "light"), b'{"id":"4","args":{"level":0.5}}')
    assert reply["error"]["code"] == "not_holder"
    assert reply["error"]["text"] == (
        "A run of alice is under way: its light, camera and set-up are alice's, who holds control."
    )
    assert await gates.ask("alice", "release", "5", args={"to": "bob"}) == "ok"
    assert await gates.ask("bob", "light", "6", **light) == "ok", "it was handed over"
    assert await gates.ask("alice", "light", "7", **light) == "not_holder"
    gates.running = None
    assert await gates.ask("alice", "light", "8", **light) == "ok"


async def test_force_is_for_keep_alone_and_handing_over_is_for_the_holder() -> None:
    gates = Gates(cid="drive", dan="drive", dot="keep", ann="look")
    assert await gates.ask("cid", "take", "1") == "ok"
    assert await gates.ask("dan", "take", "2", args={"force": True}) == "not_allowed"
    assert await gates.ask("dan", "release", "3", args={"to": "dan"}) == "not_holder"
    assert await gates.ask("cid", "release", "4", args={"to": "ann"}) == "not_allowed"
    assert gates.control.holder == "cid"
    assert await gates.ask("dot", "take", "5", args={"force": True}) == "ok"
    assert gates.control.holder == "dot"
    assert await gates.ask("dot", "release", "6", args={"to": "dan"}) == "ok"
    assert await gates.ask("dan", "release", "7") == "ok"
    assert gates.control.holder is None


async def test_a_refused_take_is_told_as_control_wanted() -> None:
    gates = Gates()
    await gates.ask("alice", "take", "1")
    with gates.notices.subscribe() as heard:
        await gates.ask("bob", "take", "2")
        async for notice in heard:
            if not notice.kept:
                assert notice.doc is not None
                assert (notice.topic, notice.doc["code"], notice.doc["cause"]) == ("event", "control_wanted", "2")
                break


async def test_set_up_needs_a_beat_only_when_it_moves() -> None:
    gates = Gates()
    await gates.ask("alice", "take", "0")
    assert await gates.ask("alice", "setup", "1", args={"set": {"glass": ["pane-25"]}}) == "ok"
    assert await gates.ask("alice", "setup", "2", args={"set": {"glass": []}, "follow": True}) == "stale"
    beat = gates.beat.current
    assert await gates.ask("alice", "setup", "3", beat=beat, args={"set": {"m": None}, "follow": True}) == "ok"
    last: SetupArgs = gates.done[-1].args
    assert last.set.given() == {"m": None}, "null clears; what is not named stays"
    assert gates.done[-1].fresh


async def test_a_dry_run_needs_neither_control_nor_beat() -> None:
    gates = Gates()
    gates.control.take("bob")
    run = {"procedure": "flange_check", "inputs": {}}
    assert await gates.ask("alice", "run", "1", args=run | {"dry": True}) == "ok"
    assert await gates.ask("alice", "run", "2", args=run) == "stale"
    assert await gates.ask("alice", "run", "3", beat=gates.beat.current, args=run) == "not_holder"
    assert gates.control.holder == "bob"


@pytest.mark.parametrize(
    ("verb", "args", "said"),
    [
        ("setup", {"set": {"ring": 5}}, 'set.ring: "hard_stop", "infinity", "free", {"mark": ..} or null.'),
        (
            "setup",
            {"set": {"ring": {"mark": "far"}}},
            'set.ring: "hard_stop", "infinity", "free", {"mark": ..} or null.',
        ),
        ("setup", {"set": {"adapters": ["a", 5]}}, "set.adapters.1: text."),
        ("setup", {"set": {"m": {"value": 0.01}}}, "set.m.u: this key is needed."),
        ("sweep", {"about": []}, "about: one of 'nominal', 'here', 'expected'; or a number."),
        ("answer", {"ask": "a-1", "value": None}, "value: true or false; or a whole number; or a number; or text."),
    ],
)
async def test_what_is_wrong_is_named_as_the_message_has_it(verb: str, args: dict[str, Any], said: str) -> None:
    gates = Gates()
    raw = json.dumps({"id": "1", "args": args}).encode()
    reply = await gates.intake.handle(CommandAddress("alice", verb), raw)
    assert (reply["error"]["code"], reply["error"]["text"]) == ("bad_request", said)


async def test_the_ring_may_stand_at_the_mark_for_infinity() -> None:
    gates = Gates()
    gates.control.take("alice")
    for n, mark in enumerate((1.5, 30, "inf")):
        assert await gates.ask("alice", "setup", f"{n}", args={"set": {"ring": {"mark": mark}}}) == "ok"
        assert gates.done[-1].args.set.given() == {"ring": {"mark": mark}}


async def test_what_waited_its_turn_too_long_is_stale() -> None:
    gates = Gates()
    await gates.ask("alice", "take", "0")
    gate = gates.holds_up("read")
    first = asyncio.create_task(gates.ask("alice", "read", "1", args={"device": "position"}))
    await asyncio.sleep(0)
    second = asyncio.create_task(gates.ask("alice", "home", "2", beat=gates.beat.current))
    await asyncio.sleep(0)
    gates.clock.now += 3.5
    gate.set()
    assert (await first, await second) == ("ok", "stale")
    assert [request.id for request in gates.done] == ["1"]


@pytest.mark.parametrize(
    ("verb", "args"),
    [("pause", {"run": "r-0001"}), ("abort", {"run": "r-0001"}), ("answer", {"ask": "a-1", "value": True})],
)
async def test_what_steers_a_run_waits_for_nothing_that_its_user_asked_before(verb: str, args: dict[str, Any]) -> None:
    """A light may take effect only when a long move has ended; who sees something wrong meanwhile must be heard."""
    gates = Gates()
    await gates.ask("alice", "take", "0")
    gate = gates.holds_up("light")
    light = asyncio.create_task(gates.ask("alice", "light", "1", args={"level": 0.3}))
    await asyncio.sleep(0)
    assert await gates.ask("alice", verb, "2", args=args) == "ok"
    assert [request.verb for request in gates.done] == [verb]
    gate.set()
    assert await light == "ok"


async def test_a_crowd_of_one_users_commands_is_refused_as_busy() -> None:
    gates = Gates()
    gate = asyncio.Event()

    async def slow(_: Request) -> dict[str, Any]:
        await gate.wait()
        return {}

    gates.intake._handlers["read"] = slow
    asked = [asyncio.create_task(gates.ask("a", "read", f"{n}", args={"device": "x"})) for n in range(40)]
    await asyncio.sleep(0.01)
    assert await gates.ask("b", "light", "1", args={"on": False}) == "ok"
    gate.set()
    answers = await asyncio.gather(*asked)
    assert answers == ["ok"] * 32 + ["busy"] * 8


async def test_a_handler_that_breaks_is_a_fault_with_a_reference_and_no_more(caplog: pytest.LogCaptureFixture) -> None:
    gates = Gates()

    async def broken(_: Request) -> dict[str, Any]:
        raise KeyError("secret detail")

    gates.intake._handlers["light"] = broken
    reply = await gates.intake.handle(CommandAddress("a", "light"), b'{"id":"1","args":{"on":true}}')
    assert reply["error"]["code"] == "device_fault"
    assert "secret" not in json.dumps(reply)
    assert reply["error"]["data"]["reference"] in caplog.text


async def test_ten_thousand_duplicated_and_reordered_are_carried_out_once_each() -> None:
    gates = Gates()
    chance = random.Random(37)
    deliveries = [n % 3334 for n in range(10_000)]
    chance.shuffle(deliveries)
    answers = [await gates.ask("alice", "light", f"c{n}", args={"level": 0.5}) for n in deliveries]
    assert answers.count("ok") == 3334
    assert answers.count("duplicate") == 10_000 - 3334
    assert len({request.id for request in gates.done}) == len(gates.done) == 3334


async def test_ten_thousand_fuzzed_payloads_never_raise_and_carry_nothing_out() -> None:
    """Seeded: valid commands bent at random bytes, JSON grown at random, and plain noise, on good and odd topics."""
    gates = Gates()
    gates.control.take("alice")
    chance = random.Random(20_310_405)
    seeds = [
        b'{"id":"c81","beat":"zzzzzz-1842","args":{"axis":"carriage","by_um":12.5}}',
        b'{"id":"c82","beat":"zzzzzz-1","args":{"about":"nominal","span_um":160,"step_um":8,"merit":"edge"}}',
        b'{"id":"c83","beat":"zzzzzz-7","args":{"set":{"glass":["pane-25"],"m":{"value":0.01,"u":0.001}},"follow":true}}',
        b'{"id":"c84","beat":"zzzzzz-7","args":{"procedure":"flange_check","inputs":{"lens":"L-0417"}}}',
    ]
    moving = [verb for verb in VERBS if verb in {"home", "nominal", "move", "sweep", "run", "resume"}]
    for n in range(10_000):
        kind = n % 4
        if kind == 0:
            raw = bytearray(chance.randbytes(chance.randrange(200)))
        else:
            raw = bytearray(chance.choice(seeds))
            for _ in range(chance.randrange(1, 6) if kind < 3 else 0):
                place = chance.randrange(len(raw))
                raw[place : place + chance.randrange(3)] = chance.randbytes(chance.randrange(4))
            if kind == 3:
                raw = raw.replace(b"12.5", chance.choice([b"1e999", b"-0", b"[]", b"NaN", b'"\\ud800"', b"1" * 999]))
                raw = bytearray(chance.choice([b"", b"[" * 40, b'{"a":'])) + raw
        topic = TOPICS.command("alice", chance.choice(moving))
        if n % 10 == 0:
            topic = TOPICS.base + "command/" + "".join(chance.choice("aé/+#$ \x00Z-") for _ in range(12))
        reply = await gates.intake.handle(TOPICS.command_address(topic), bytes(raw), retained=n % 7 == 0)
        assert reply["ok"] is False
        assert reply["error"]["code"] in ERROR_CODES
        encode(reply)
    assert gates.done == []


@settings(max_examples=500, deadline=None)
@given(st.binary(max_size=300), st.text(st.characters(exclude_characters="/"), max_size=40))
def test_a_stop_is_read_whatever_it_says(payload: bytes, user: str) -> None:
    name, args, _ = read_stop(TOPICS, TOPICS.command(user, "stop"), payload)
    assert name in ("?", user)
    assert args.axis is None or args.axis.encode() in payload


@pytest.mark.published
def test_names_match_the_topic_rules() -> None:
    """MQTT 5.0 (OASIS, 2019), 4.7: `+ #` are wildcards, `/` separates levels, U+0000 is not allowed, `$` begins
    topics of the broker's own: none of them may stand in a name of ours."""
    for text in ("+", "#", "a/b", "a\x00", "$SYS", "", "A", "é", "a b", "x" * 33):
        with pytest.raises(Refused):
            TOPICS.parse_command(TOPICS.command(text, "stop"))
        with pytest.raises(Refused):
            Topics(text)
    assert TOPICS.parse_command("benchd/north-rail/command/a_b-9/stop").user == "a_b-9"


def test_urls_of_brokers() -> None:
    at = endpoint_of("mqtts://broker.example:9000", Account("bench", "s3@cret"))
    assert (at.host, at.port, at.account.user, at.account.password, at.tls) == (
        "broker.example", 9000, "bench", "s3@cret", True,
    )  # fmt: skip
    assert "s3@cret" not in repr(at) + str(at)
    assert endpoint_of("mqtt://h").port == 1883
    assert endpoint_of("mqtts://h").port == 8883
    for wrong in (
        "",
        "http://h",
        "mqtt://",
        "mqtt://h/path",
        "mqtt://h:99999",
        "mqtt://u:pw@h:x",
        "mqtts://u:pw@h",
        "ws://h",
    ):
        with pytest.raises(Refused) as caught:
            endpoint_of(wrong)
        assert "pw" not in str(caught.value)


def test_events_are_rationed_and_what_was_left_out_is_counted() -> None:
    clock, notices = HandClock(), Notices()
    teller = LimitedEvents(Events(notices, None, clock), clock, burst=3, per_s=1)
    assert [teller.tell("stale", "x") for _ in range(10)] == [True] * 3 + [False] * 7
    clock.now += 1
    with notices.subscribe() as heard:
        assert teller.tell("stale", "x")
        (notice,) = heard._waiting
    assert notice.doc is not None
    assert notice.doc["data"] == {"left_out": 7}


def test_encoding_refuses_what_is_no_json_and_keeps_what_is() -> None:
    assert json.loads(encode({"a": [1.5, None, "é"], "t": (1, 2)})) == {"a": [1.5, None, "é"], "t": [1, 2]}
    assert json.loads(encode({"a": math.nan, "note": "seen"})) == {"a": None, "note": "seen; a is not finite"}
    for wrong in ({"a": object()}, {"a": b"x"}, {"a": "x" * 200_001}):
        with pytest.raises((TypeError, ValueError)):
            encode(wrong)
