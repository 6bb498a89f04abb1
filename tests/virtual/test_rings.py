"""Rings of the lens turned by axes of the motion board: homed, moved, stopped and trusted by the carriage's own rules,
set to engraved marks by the set-up, and judged by where the rings truly stand."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError, Refused
from tests.virtual.benches import VirtualBench, person
from tests.virtual.rigs import with_switches

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"
SET_UP = {"lens": LENS, "adapters": [RING], "glass": [PANE], "distance_mm": 5000, "trim_um": 0}
INFINITY_DEG, WIDE_OPEN_DEG = 30.0, 24.6
"""Of the rings themselves, in the world; the axes count from where their switches are."""
NEAR_DEG = 0.2
"""The switch's scatter, the step, and what the world's infinity is off."""
SWEEPS = {
    "procedures/rings.yaml": """
procedure: rings
title: The ring to its marks, then a sweep
needs: {roles: [carriage, target_light, detector, focus_ring, iris_ring]}
inputs:
  note: {type: text, default: ""}
steps:
  - setup: {lens: L-0417, adapters: [ring-07], glass: [pane-25], distance_mm: 5000, ring: infinity, f_number: 2.8}
  - nominal: {}
  - light: {light: target_light, level: 0.4}
  - sweep: {merit: auto, repeats: 1}
  - assess: {name: flange}
  - move: {axis: focus_ring, to_deg: 90.36}
  - move: {axis: focus_ring, by_deg: -20}
finally:
  - light: {light: target_light, level: 0}
""",
    "procedures/waits.yaml": """
procedure: waits
title: A ring set, and a wait
needs: {roles: [carriage, focus_ring, target_light]}
inputs: {}
steps:
  - setup: {lens: L-0417, adapters: [ring-07], glass: [pane-25], distance_mm: 5000, ring: infinity}
  - nominal: {}
  - wait: {for_s: 30}
finally:
  - light: {light: target_light, level: 0}
""",
}


@pytest_asyncio.fixture
async def bench(tmp_path: Path) -> AsyncIterator[VirtualBench]:
    async with VirtualBench(tmp_path, world="workshop-rings", config="workshop-rings", files=SWEEPS) as bench:
        yield bench


@pytest_asyncio.fixture
async def client(bench: VirtualBench) -> AsyncIterator[BenchClient]:
    """Somebody in control; all axes homed."""
    async with person(bench) as (client, _):
        await client.do("home", axes=["carriage", "focus_ring", "iris_ring"])
        yield client


def turned_deg(bench: VirtualBench, ring: str) -> float:
    return dict[str, float]({name: turned.place_deg for name, turned in bench.machine.turned.items()})[ring]


async def ring_state(client: BenchClient, role: str = "focus_ring") -> dict[str, Any]:
    await asyncio.sleep(1.5)
    state: dict[str, Any] = await client.kept(f"device/{role}")
    return state


async def until(so: Callable[[], bool]) -> None:
    for _ in range(10_000):
        if so():
            return
        await asyncio.sleep(0.02)
    raise AssertionError("it never came to that")


async def refused(client: BenchClient, verb: str, **args: Any) -> Refused:
    with pytest.raises(Refused) as caught:
        await client.do(verb, **args)
    return caught.value


async def test_published_in_degrees_and_never_in_um(bench: VirtualBench, client: BenchClient) -> None:
    state = await ring_state(client)
    assert {key: state[key] for key in ("state", "homed", "why", "deg")} == {
        "state": "idle", "homed": True, "why": None, "deg": 0.0
    }  # fmt: skip
    assert state["limits_deg"] == [5.0, 290.0]
    assert not [key for key in state if "_um" in key]
    about = await client.kept("about")
    assert about["devices"]["focus_ring"]["spec"]["unit"] == "deg"
    await client.do("move", axis="focus_ring", to_deg=123.4)
    assert (await ring_state(client))["deg"] == pytest.approx(123.4, abs=0.02)


async def test_nothing_turns_that_is_not_homed(bench: VirtualBench) -> None:
    async with person(bench) as (client, _):
        before = turned_deg(bench, "focus")
        assert (await refused(client, "move", axis="focus_ring", to_deg=50.0)).code == "not_homed"
        assert (await refused(client, "move", axis="focus_ring", by_deg=5.0)).code == "not_homed"
        await client.do("home", axes=["iris_ring"])
        assert (await refused(client, "move", axis="focus_ring", to_deg=50.0)).code == "not_homed"
        assert turned_deg(bench, "focus") == before
        assert (await client.kept("device/carriage"))["homed"] is False


@pytest.mark.parametrize(
    ("args", "code"),
    [
        ({"axis": "focus_ring", "to_deg": 4.9}, "limit"),  # the run-up lies below
        ({"axis": "focus_ring", "to_deg": 290.2}, "limit"),
        ({"axis": "focus_ring", "carriage_um": 100.0}, "bad_request"),
        ({"axis": "focus_ring", "to_deg": 50.0, "approach": "from_above"}, "bad_request"),
        ({"axis": "carriage", "to_deg": 50.0}, "bad_request"),
        ({"axis": "zoom_ring", "to_deg": 50.0}, "unknown_name"),
    ],
)
async def test_what_is_no_turn_is_refused(client: BenchClient, bench: VirtualBench, args: Any, code: str) -> None:
    before = turned_deg(bench, "focus")
    assert (await refused(client, "move", **args)).code == code
    assert turned_deg(bench, "focus") == before


async def test_a_ring_is_not_jogged_and_nothing_else_in_its_place(bench: VirtualBench, client: BenchClient) -> None:
    before = turned_deg(bench, "focus"), bench.place_um()
    with pytest.raises(Refused) as caught:
        await client.command("jog", axis="focus_ring", speed_um_s=40.0, hold="h1", seq=1)
    assert caught.value.code == "bad_request"
    assert "by hand the carriage alone is moved" in caught.value.text
    assert caught.value.advice == "Turn it with `move`, by to_deg or by_deg.", (
        "what `jog` itself cannot take is not advised"
    )
    await asyncio.sleep(0.5)
    assert turned_deg(bench, "focus") == before[0]
    assert bench.place_um() == pytest.approx(before[1], abs=0.1)


async def test_an_angle_is_come_to_from_one_side(bench: VirtualBench, client: BenchClient) -> None:
    """The gear has 0.6 degrees of play; from above the ring would stand as much elsewhere."""
    places = []
    for start in (20.0, 250.0, 101.0):
        await client.do("move", axis="focus_ring", to_deg=start)
        await client.do("move", axis="focus_ring", to_deg=100.0)
        places.append(turned_deg(bench, "focus"))
    assert max(places) - min(places) < 0.02
    await client.do("move", axis="focus_ring", by_deg=-12.5)
    assert turned_deg(bench, "focus") == pytest.approx(places[0] - 12.5, abs=0.02)


async def test_a_mark_is_turned_to_with_nominal_and_not_by_stating_it(bench: VirtualBench, client: BenchClient) -> None:
    before = turned_deg(bench, "focus"), bench.machine.iris()
    await client.command("setup", set={**SET_UP, "ring": "infinity"})
    await asyncio.sleep(3.0)
    assert (turned_deg(bench, "focus"), bench.machine.iris()) == before, "hands may be at the lens"
    assert (await refused(client, "sweep", span_um=100.0, step_um=20.0)).code == "not_driven"
    await client.do("nominal")
    assert turned_deg(bench, "focus") == pytest.approx(INFINITY_DEG, abs=NEAR_DEG)
    assert bench.machine.iris() == pytest.approx(2.0, abs=0.02)
    await client.do("setup", set={"f_number": 4.0}, follow=True)
    assert bench.machine.iris() == pytest.approx(4.0, abs=0.03)
    assert (await refused(client, "setup", set={"f_number": 3.3}, follow=True)).code == "not_found"
    assert (await refused(client, "setup", set={"ring": "hard_stop"})).code == "bad_request"
    assert (await client.kept("setup"))["f_number"] == 4.0
    assert (await client.kept("setup"))["ring"] == "infinity"


async def test_nominal_turns_nothing_while_a_ring_is_not_homed(bench: VirtualBench) -> None:
    async with person(bench) as (client, _):
        await client.do("home", axes=["carriage", "iris_ring"])
        await client.command("setup", set={**SET_UP, "ring": "infinity"})
        before = bench.machine.iris(), bench.place_um()
        assert (await refused(client, "nominal")).code == "not_homed"
        assert bench.machine.iris() == before[0]
        assert bench.place_um() == pytest.approx(before[1], abs=0.1)


async def test_a_ring_that_was_turned_since_is_not_swept_with(bench: VirtualBench, client: BenchClient) -> None:
    await client.do("setup", set={**SET_UP, "ring": "infinity"}, follow=True)
    await client.do("move", axis="focus_ring", to_deg=60.0)
    error = await refused(client, "sweep", span_um=100.0, step_um=20.0)
    assert (error.code, error.data["axis"]) == ("not_driven", "focus_ring")


async def test_in_a_run_the_rings_are_set_and_the_finding_says_so(bench: VirtualBench, client: BenchClient) -> None:
    run = (await client.command("run", procedure="rings"))["run"]
    await ended(client, run, "done")
    finding = await client.kept("finding/flange")
    assert finding["measurand"]["ring"] == "infinity"
    assert finding["measurand"]["f_number"] == 2.8
    assert turned_deg(bench, "focus") == pytest.approx(90.36 - 25.6 + INFINITY_DEG - 20.0, abs=NEAR_DEG)


async def test_a_stop_is_one_of_all_and_the_run_sets_the_ring_again(bench: VirtualBench, client: BenchClient) -> None:
    await client.do("move", axis="focus_ring", to_deg=250.0)
    run = (await client.command("run", procedure="waits"))["run"]
    await until(lambda: turned_deg(bench, "focus") < 240.0)
    await client.stop()
    await asyncio.sleep(0.5)
    stood = turned_deg(bench, "focus")
    assert stood > INFINITY_DEG + 20.0
    assert not bench.rig.board.planner.moving
    await asyncio.sleep(3.0)
    assert turned_deg(bench, "focus") == stood
    assert (await ring_state(client))["homed"] is True
    await client.command("resume", run=run)
    await ended(client, run, "done")
    assert turned_deg(bench, "focus") == pytest.approx(INFINITY_DEG, abs=NEAR_DEG)


async def test_a_surprise_of_the_ring_ends_the_run_that_goes_by_it(bench: VirtualBench, client: BenchClient) -> None:
    run = (await client.command("run", procedure="waits"))["run"]
    await until(lambda: abs(turned_deg(bench, "focus") - INFINITY_DEG) < NEAR_DEG)
    await asyncio.sleep(5.0)
    assert (await client.kept("setup"))["ring"] == "infinity"
    motor = bench.machine.turned["focus"].motor
    motor.start(motor.position_um + 2000.0, 2000.0)  # pulses that nobody asked for
    await ended(client, run, "failed")
    assert (await ring_state(client))["homed"] is False
    assert (await ring_state(client, "iris_ring"))["homed"] is True
    assert (await refused(client, "move", axis="focus_ring", to_deg=50.0)).code == "not_homed"


async def test_a_lost_cable_costs_all_their_trust_and_nothing_resumes(bench: VirtualBench, client: BenchClient) -> None:
    await client.do("move", axis="focus_ring", to_deg=100.0)
    stood = turned_deg(bench, "focus")
    await bench.fault("board", "unplug")
    state = await ring_state(client)
    assert (state["state"], state["homed"], state["deg"]) == ("offline", False, None)
    await bench.fault("board", "plug")
    await asyncio.sleep(10.0)
    assert (await ring_state(client))["state"] == "idle"
    assert (await refused(client, "move", axis="focus_ring", to_deg=50.0)).code == "not_homed"
    assert turned_deg(bench, "focus") == stood
    await client.do("home", axes=["focus_ring"])


async def test_switches_that_bar_motion_bar_the_rings(tmp_path: Path) -> None:
    """Hands in the bench stop what turns; an emergency stop costs its trust as well."""
    kinds: dict[str, Any] = {"world": "workshop-rings", "config": "workshop-rings"}
    async with VirtualBench(tmp_path, **kinds, change=with_switches) as bench, person(bench) as (client, _):
        await client.do("home", axes=["focus_ring"])
        turning = asyncio.create_task(client.do("move", axis="focus_ring", to_deg=250.0))
        await until(lambda: turned_deg(bench, "focus") > 60.0)
        bench.ask_world({"do": "press", "what": "hands_in"})
        with pytest.raises(BenchdError):
            await turning
        stood = turned_deg(bench, "focus")
        assert stood < 150.0
        assert (await refused(client, "move", axis="focus_ring", to_deg=50.0)).code == "interlock"
        assert (await refused(client, "home", axes=["focus_ring"])).code == "interlock"
        assert (await ring_state(client))["homed"] is True
        bench.ask_world({"do": "release", "what": "hands_in"})
        await asyncio.sleep(3.0)
        assert turned_deg(bench, "focus") == stood, "nothing goes on by itself"
        bench.ask_world({"do": "press", "what": "emergency_stop"})
        state = await ring_state(client)
        assert (state["state"], state["code"], state["homed"]) == ("fault", "interlock", False)


async def ended(client: BenchClient, run: str, state: str) -> None:
    async with asyncio.timeout(600):
        while True:
            now = await client.kept("procedure")
            if now["run"] == run and now["state"] in ("done", "failed", "aborted"):
                break
            if now["ask"] is not None:
                await client.command("answer", beat=False, ask=now["ask"]["ask"], value=True)
            await asyncio.sleep(0.1)
    assert now["state"] == state
