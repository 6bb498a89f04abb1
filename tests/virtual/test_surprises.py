"""What takes trust in the position away: told at once, whatever runs on it ended, and nothing resumed by itself."""

from __future__ import annotations

import asyncio
import re
import secrets
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from structlog.testing import capture_logs

from benchd.devices import DeviceError, now_s
from benchd.errors import BenchdError, Refused
from stack import CONFIGS
from tests.at_work import AtWork
from tests.virtual.benches import VirtualBench

pytestmark = pytest.mark.asyncio(loop_scope="module")


def _changed(text: str, values: dict[str, str | None]) -> str:
    """A record's text with other values; None takes a key out."""
    for key, value in values.items():
        text, found = re.subn(rf"(?m)^{key}:.*\n", "" if value is None else f"{key}: {value}\n", text)
        assert found == 1, key
    return text


Lab = AtWork[VirtualBench]
SOON_S = 0.1
"""In which a loss is told once it can be known."""
RESTING_S = 0.2
"""So often a carriage at rest is looked at, and only then can a push be known."""
APART_S = 0.3 / 4.0
"""At 4 mm/s, for motor and encoder to be 0.3 mm apart: less is no fault."""
TURN_UM = 29_000
HOME_STEP = 3
"""Of flange_check: set up, ask, home."""

# As L-0417, but deep: with the plate its rear element would come too near at nominal, without it would not.
DEEP, UNMEASURED = "L-0900", "L-0901"
LENS = (CONFIGS / "workshop" / "lenses" / "L-0417.yaml").read_text(encoding="utf-8")
FILES = {
    f"lenses/{DEEP}.yaml": _changed(LENS, {"lens": DEEP, "rear_protrusion_mm": "47.5"}),
    f"lenses/{UNMEASURED}.yaml": _changed(LENS, {"lens": UNMEASURED, "rear_protrusion_mm": None}),
}


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def shared(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Lab]:
    async with VirtualBench(tmp_path_factory.mktemp("surprises"), seed=12, files=FILES) as found:
        yield AtWork(found)


@pytest_asyncio.fixture(loop_scope="module")
async def bench(shared: Lab) -> AsyncIterator[Lab]:
    """The shared bench, mended, with somebody in control; nothing of the last test runs."""
    shared.mend()
    async with shared.at():
        await shared.quiet()
        await shared.client.command("setup", beat=False, set={"lens": None, "glass": []})
        yield shared


async def lost(bench: Lab, began: float, *, within_s: float = SOON_S) -> dict[str, Any]:
    """The carriage's state as soon as it is untrusted."""
    state = await bench.carriage(homed=False)
    took = now_s() - began
    assert took < within_s
    return state


async def move_away(bench: Lab) -> str:
    """A long move under way; gives the command's id."""
    ident = secrets.token_hex(4)
    await bench.client.command("move", axis="carriage", carriage_um=TURN_UM, ident=ident)
    await bench.carriage(state="moving")
    await asyncio.sleep(0.25)
    return ident


async def event_of(events: Any, **wanted: Any) -> dict[str, Any]:
    async with asyncio.timeout(120):
        async for _, event in events:
            if all(event[key] == value for key, value in wanted.items()):
                return dict(event)
    raise AssertionError


async def refused(bench: Lab, verb: str, **args: Any) -> str:
    while True:
        with pytest.raises(Refused) as told:
            await bench.client.command(verb, **args)
        if told.value.code != "stale":
            return str(told.value.code)
        await asyncio.sleep(0.2)  # the surprise has stopped the carriage, which voids the beats before it


async def dark(bench: Lab) -> None:
    async with asyncio.timeout(120):
        async for _, light in bench.client.watch("device/target_light"):
            if light.get("level") == 0:
                return


# At rest


async def test_fault_11_pushed_by_hand(bench: Lab) -> None:
    await bench.home()
    events = bench.client.events()
    began = now_s()
    bench.fault("world", "push", value=300)
    state = await lost(bench, began, within_s=RESTING_S + SOON_S)
    assert "unasked" in state["why"]
    assert (await event_of(events, code="not_homed"))["severity"] == "error"
    assert await refused(bench, "move", axis="carriage", carriage_um=5000) == "not_homed"
    assert await refused(bench, "nominal") in ("not_homed", "not_driven")


async def test_fault_11_pushed_after_a_minute_of_rest(bench: Lab) -> None:
    """It is then looked at once a second."""
    await bench.home()
    await asyncio.sleep(61.0)
    bench.fault("world", "push", value=300)
    async with asyncio.timeout(1.1):
        async for _, state in bench.client.watch("device/carriage"):
            if state is not None and not state["homed"]:
                break
    assert "unasked" in state["why"]


async def test_fault_11_brown_out(bench: Lab) -> None:
    await bench.home()
    began = now_s()
    bench.fault("board", "power_up")
    assert "reset" in (await lost(bench, began))["why"]


async def test_fault_11_pushed_while_a_question_is_open(bench: Lab) -> None:
    await bench.home()
    run = await bench.in_flange_check()
    await bench.client.command("light", beat=False, light="target_light", level=0.5)
    events = bench.client.events()
    bench.fault("world", "push", value=-200)
    ended = await bench.state_of(run, "failed")
    assert ended["ask"] is None
    assert (await event_of(events, code="device_fault"))["data"]["kind"] == "stall"
    await dark(bench)
    assert bench.row_of(run)[0] == "failed"


# In motion


@pytest.mark.parametrize(
    ("who", "what", "args", "why"),
    [
        pytest.param("world", "lose_steps", {"value": 3000}, "disagree", id="8_lost_steps"),
        pytest.param("world", "stall", {"value": True}, "disagree", id="8_stalled"),
        pytest.param("world", "encoder_frozen", {"value": True}, "disagree", id="9_frozen"),
        pytest.param("world", "encoder_jump", {"value": 2000}, "disagree", id="9_jumping"),
        pytest.param("world", "encoder_reversed", {"value": True}, "disagree", id="9_reversed"),
        pytest.param("world", "switch_stuck", {"value": True}, "inspection", id="5_hard_limit"),
        pytest.param("board", "reset", {}, "reset", id="22_reset"),
        pytest.param("board", "power_up", {}, "reset", id="22_banner"),
    ],
)
async def test_faults_5_8_9_22_in_a_move(bench: Lab, who: str, what: str, args: dict[str, Any], why: str) -> None:
    await bench.home()
    events = bench.client.events()
    ident = await move_away(bench)
    began = now_s()
    bench.fault(who, what, **args)
    state = await lost(bench, began, within_s=SOON_S + APART_S)
    told = await event_of(events, cause=ident)
    assert told["severity"] == "error", told
    assert why in state["why"] or why in told["text"] + told["advice"], (state, told)
    assert await bench.rests(2.0)
    if what == "stall":
        bench.fault("world", "stall", value=False)  # else it stands because it must
        assert await bench.rests()
    assert abs(bench.place_um() - TURN_UM) > 1000, "it went on to its goal"
    if what == "encoder_jump":
        bench.fault(who, what, value=-args["value"])
    assert (await bench.client.kept("device/carriage"))["homed"] is False


@pytest.mark.parametrize(
    ("who", "what", "args"),
    [
        pytest.param("world", "encoder_jump", {"value": 100}, id="9_jumping"),
        pytest.param("world", "encoder_frozen", {"value": True}, id="9_frozen"),
        pytest.param("board", "unplug", {"s": 0.5}, id="19_unplugged"),
    ],
)
async def test_faults_9_19_in_a_sweep_of_a_procedure(bench: Lab, who: str, what: str, args: dict[str, Any]) -> None:
    run = await bench.sweeping_in_flange_check()
    events = bench.client.events()
    bench.fault(who, what, **args)
    await bench.state_of(run, "failed")
    told = await event_of(events, severity="error")
    assert told["code"] in ("device_fault", "not_homed"), told
    await bench.carriage(homed=False)
    if what == "unplug":
        await event_of(events, code="link_back")
    if what == "encoder_jump":
        bench.fault(who, what, value=-args["value"])
    await dark(bench)
    assert bench.row_of(run)[0] == "failed"
    assert await refused(bench, "resume", run=run) == "unknown_name"


# The safety door


async def fault_told(bench: Lab, device: str) -> dict[str, Any]:
    async with asyncio.timeout(120):
        async for _, said in bench.client.watch(f"device/{device}"):
            if said is not None and said["state"] == "fault":
                return dict(said)
    raise AssertionError


async def test_commands_with_the_door_open(bench: Lab) -> None:
    await bench.at_nominal()
    bench.fault("board", "open_door")
    began = now_s()
    with pytest.raises(Refused, match=r"safety door is open \(state Door\)") as told:
        await bench.client.command("light", beat=False, light="target_light", level=0.3)
    assert (told.value.code, told.value.advice) == ("interlock", "Close it, then try again.")
    for verb, args in (("move", {"axis": "carriage", "carriage_um": 12_000}), ("nominal", {})):
        with pytest.raises(BenchdError, match="safety door is open"):
            await bench.client.do(verb, **args, within_s=15)
    assert now_s() - began < 1.0, "each would be waited for until it is given up"
    for device in ("carriage", "target_light"):
        said = await fault_told(bench, device)
        assert said["code"] == "interlock"
        assert "safety door is open (state Door). Close it" in said["text"]
    stands = bench.place_um()
    bench.fault("board", "shut_door")
    await bench.carriage(state="idle", homed=True)
    await asyncio.sleep(0.5)
    assert abs(bench.place_um() - stands) < 5.0, "closing the door moves nothing"
    await bench.client.command("light", beat=False, light="target_light", level=0.3)
    await bench.client.do("move", axis="carriage", carriage_um=12_000, within_s=20)
    assert (await bench.carriage(state="idle"))["homed"]


async def test_door_in_a_sweep_of_a_procedure(bench: Lab) -> None:
    run = await bench.sweeping_in_flange_check()
    events = bench.client.events()
    bench.fault("board", "open_door")
    await bench.state_of(run, "failed", within_s=0.5)
    told = await event_of(events, severity="error")
    assert told["code"] == "interlock", told
    assert "safety door" in told["text"]
    assert told["data"]["run"] == run
    await dark(bench)
    stands = bench.place_um()
    bench.fault("board", "shut_door")
    await asyncio.sleep(1.0)
    assert abs(bench.place_um() - stands) < 5.0
    state = await bench.carriage(state="idle")
    assert state["homed"], "it came to rest in good order, and the controller has kept its place"
    assert abs(state["carriage_um"] - bench.place_um()) < 2.0
    await bench.client.do("nominal", within_s=20)


async def test_up_with_the_door_open(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, daemon=False) as stack:
        bench = AtWork(stack)
        stack.rig.board.feed(b"$X\n")  # else it would be in Alarm, which hears lines
        await asyncio.sleep(0.2)
        bench.fault("board", "open_door")
        with pytest.raises(BenchdError) as told:
            await stack.start_daemon()
        assert isinstance(told.value, DeviceError), "which ends `benchd up` as a fault"
        assert "safety door is open (state Door)" in told.value.text
        assert told.value.advice == "Close it, then try again."
        bench.fault("board", "shut_door")
        await stack.start_daemon()
        async with bench.at():
            await bench.home()


# Links


@pytest.mark.parametrize("who", ["board", "counter"])
async def test_fault_19_unplugged_in_a_move(bench: Lab, who: str) -> None:
    await bench.home()
    with capture_logs() as log:
        await _unplugged_in_a_move(bench, who)
    assert [entry["log_level"] for entry in log if entry["log_level"] != "debug"] == ["warning", "warning"], log
    await bench.home()


async def _unplugged_in_a_move(bench: Lab, who: str) -> None:
    events = bench.client.events()
    ident = await move_away(bench)
    began = now_s()
    bench.fault(who, "unplug")
    await lost(bench, began)
    assert (await event_of(events, cause=ident))["severity"] == "error"
    assert (await bench.carriage(state="offline"))["carriage_um"] is None
    assert await bench.rests(8.0)  # the move under way ends by itself, or was stopped
    with pytest.raises(BenchdError):
        await bench.client.do("home", axes=["carriage"], within_s=10)
    stands = bench.place_um()
    bench.fault(who, "plug")
    assert (await event_of(events, code="link_back"))["data"]["tries"] > 1
    state = await bench.carriage(state="idle")
    assert state["homed"] is False
    await asyncio.sleep(0.5)
    assert abs(bench.place_um() - stands) < 5.0


async def test_fault_21_another_board_on_the_cable(bench: Lab) -> None:
    bench.fault("board", "unplug")
    await bench.carriage(state="offline")
    events = bench.client.events()
    bench.fault("board", "identity", value="7A02")
    bench.fault("board", "plug")
    try:
        told = await event_of(events, code="device_fault")
        assert "7A02" in told["text"]
        assert "7A01" in told["text"]
        with pytest.raises(BenchdError, match="lost"):
            await bench.client.do("home", axes=["carriage"], within_s=10)
        stands = bench.place_um()
        await asyncio.sleep(1.5)
        assert abs(bench.place_um() - stands) < 5.0
        assert (await bench.client.kept("device/carriage"))["state"] == "offline"
    finally:
        bench.fault("board", "identity", value="7A01")
    await event_of(events, code="link_back")
    await bench.home()


# Homing


async def test_fault_1_switch_never_trips(bench: Lab) -> None:
    bench.fault("world", "switch_never", value=True)
    with pytest.raises(BenchdError) as told:
        await bench.home()
    assert "switch" in told.value.text
    state = await bench.carriage(state="idle")
    assert not state["homed"]
    assert "switch" in state["why"]
    assert await bench.rests()


async def test_fault_3_switch_sticks(bench: Lab) -> None:
    await bench.client.command("home", axes=["carriage"], ident="h3")
    events = bench.client.events()
    await bench.carriage(state="homing")
    bench.fault("world", "switch_stuck", value=True)
    told = await event_of(events, cause="h3")
    assert told["severity"] == "error"
    assert not (await bench.carriage(state="idle"))["homed"]
    assert await bench.rests()
    stands = bench.place_um()
    await asyncio.sleep(1.0)
    assert abs(bench.place_um() - stands) < 5.0, "tried again by itself"


async def test_fault_4_home_fails_inside_a_procedure(bench: Lab) -> None:
    await bench.home()
    await bench.client.command("light", beat=False, light="target_light", level=0.5)
    bench.fault("world", "push", value=100)
    await bench.carriage(homed=False)
    events = bench.client.events()
    run = await bench.in_flange_check()
    bench.fault("world", "switch_never", value=True)
    asked = bench.client.watch("procedure")
    await bench.say_yes()
    await bench.state_of(run, "failed")
    assert "switch" in (await event_of(events, severity="error"))["text"]
    steps = set()
    async with asyncio.timeout(120):
        async for _, state in asked:
            if state["run"] == run:
                steps.add(state["step"])
                if state["state"] == "failed":
                    break
    assert max(steps) == HOME_STEP
    await dark(bench)


async def test_fault_7_a_refused_move_is_forgotten(bench: Lab) -> None:
    bench.fault("board", "power_up")
    await bench.carriage(homed=False)
    assert await refused(bench, "move", axis="carriage", carriage_um=12_000) == "not_homed"
    await bench.home()
    stands = bench.place_um()
    await asyncio.sleep(1.0)
    assert abs(bench.place_um() - stands) < 5.0


async def test_fault_17_stopped_in_homing(bench: Lab) -> None:
    await bench.home()
    await bench.client.do("move", axis="carriage", carriage_um=15_000, within_s=20)
    await bench.client.command("home", axes=["carriage"], ident="h17")
    with pytest.raises(Refused):
        await bench.client.command("move", axis="carriage", carriage_um=20_000)
    events = bench.client.events()
    await bench.carriage(state="homing")
    await bench.client.stop()
    assert (await event_of(events, cause="h17"))["code"] == "stopped"
    state = await bench.carriage(state="idle")
    assert (state["homed"], state["why"]) == (False, "homing was stopped")
    assert await bench.rests(1.0)
    stands = bench.place_um()
    await asyncio.sleep(1.0)
    assert abs(bench.place_um() - stands) < 5.0


async def test_fault_17_stopped_in_the_homing_of_a_procedure(bench: Lab) -> None:
    await bench.home()
    await bench.client.do("move", axis="carriage", carriage_um=15_000, within_s=20)
    bench.fault("board", "power_up")
    await bench.carriage(homed=False)
    run = await bench.in_flange_check()
    await bench.say_yes()
    await bench.carriage(state="homing")
    await bench.client.stop()
    await bench.state_of(run, "failed")
    assert await bench.rests(1.0)


# Clearance


async def test_fault_18a_glass_would_come_too_near(bench: Lab) -> None:
    client = bench.client
    await bench.home()
    given = {"adapters": ["ring-07"], "distance_mm": 5000, "ring": "infinity"}
    await client.do("move", axis="carriage", carriage_um=10_000, within_s=20)
    await client.command("setup", beat=False, set={"lens": DEEP, "glass": [], **given})
    await client.do("nominal", within_s=20)
    stands, rev = bench.place_um(), (await client.kept("setup"))["rev"]
    for follow in (False, True):
        with pytest.raises(Refused) as told:
            await client.do("setup", set={"glass": ["pane-25"]}, follow=follow, within_s=10)
        assert told.value.code == "clearance"
        assert "rear_protrusion_mm (47.5)" in told.value.advice
    assert await refused(bench, "move", axis="carriage", depth_um=49_000) == "clearance"
    assert await refused(bench, "move", axis="carriage", by_um=-1500) == "clearance"
    await asyncio.sleep(0.3)
    assert (await client.kept("setup"))["rev"] == rev
    assert abs(bench.place_um() - stands) < 5.0


async def test_fault_18a_a_rear_that_nobody_has_measured(bench: Lab) -> None:
    client = bench.client
    await bench.home()
    given = {"lens": UNMEASURED, "adapters": ["ring-07"], "glass": [], "distance_mm": 5000}
    await client.command("setup", beat=False, set={**given, "ring": "infinity"})
    assert await refused(bench, "nominal") == "clearance"
    stands = bench.place_um()
    run = await client.run("flange_check", given)
    asked = []
    while (state := await bench.state_of(run, "asking", "failed"))["state"] == "asking":
        asked.append(state["ask"]["name"])
        await client.answer(state["ask"]["ask"], state["ask"]["name"] != "rear_clear")
        await other_than(bench, state["ask"]["ask"])
    assert asked[-1] == "rear_clear"
    await asyncio.sleep(0.3)
    assert abs(bench.place_um() - stands) < 5.0


async def other_than(bench: Lab, ask: str) -> None:
    """Until this question is no longer open."""
    async with asyncio.timeout(120):
        async for _, state in bench.client.watch("procedure"):
            if state["ask"] is None or state["ask"]["ask"] != ask:
                return


# Users


async def test_fault_15_a_second_user(bench: Lab) -> None:
    await bench.home()
    async with bench.stack.client("wall") as second:
        with pytest.raises(Refused) as told:
            await second.command("move", axis="carriage", carriage_um=8000)
        assert told.value.code == "not_holder"
        assert "bench-hand" in told.value.text
        events = bench.client.events()
        ident = await move_away(bench)
        await second.stop()
        assert (await event_of(events, cause=ident))["code"] == "stopped"
        assert await bench.rests(0.5)
        state = await bench.carriage(state="idle")
        assert state["homed"] is True, state
