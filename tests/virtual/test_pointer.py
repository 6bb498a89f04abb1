"""The laser: on while it is held; off while pictures are exposed, at a stop, in a run, and at every end."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import Any

import pytest
import pytest_asyncio

from benchd.bench.holds import LAPSES_S
from benchd.bench.laser.pointer import Pointer
from benchd.devices import Camera
from benchd.errors import BenchdError, Refused
from tests.virtual.beam import FRAMES_S, NET_S, STANDS, Beam, Finger, beamed, finger
from tests.virtual.benches import VirtualBench

pytestmark = pytest.mark.asyncio(loop_scope="module")
GONE_S = LAPSES_S + FRAMES_S + NET_S
POINTS = """\
procedure: points
title: Lights the laser by a step
needs: {roles: [carriage, pointer]}
steps:
  - light: {light: pointer, level: 1}
"""
WAITS = """\
procedure: waits
title: Waits
needs: {roles: [carriage]}
steps:
  - wait: {for_s: 2}
"""
FILES = {"procedures/points.yaml": POINTS, "procedures/waits.yaml": WAITS}


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def both(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[tuple[VirtualBench, Beam]]:
    async with beamed(tmp_path_factory.mktemp("beam"), FILES) as (bench, beam):
        async with finger(bench, beam) as hand:
            await hand.client.do("home", axes=["carriage"])
        yield bench, beam


@pytest_asyncio.fixture(loop_scope="module")
async def held(both: tuple[VirtualBench, Beam]) -> AsyncIterator[Finger]:
    """Somebody in control, the laser dark, and dark again when the test has ended; no rule broken meanwhile."""
    bench, beam = both
    async with finger(bench, beam) as hand:
        yield hand
    await asyncio.sleep(GONE_S)
    assert not beam.lit
    assert beam.wrong == []


async def refused(hand: Finger, hold: str, **more: object) -> BenchdError:
    with pytest.raises(BenchdError) as why:
        await hand.refresh(hold, **more)
    return why.value


async def test_it_is_on_while_it_is_held_and_lapses(held: Finger) -> None:
    beam = held.beam
    before = len(beam.lit_s)
    assert await held.held("h1", 2.0) is None
    last_s = beam.refreshed_s
    assert beam.lit
    await asyncio.sleep(GONE_S)
    assert len(beam.lit_s) == before + 2, "once on, once off"
    assert LAPSES_S <= beam.lit_s[-1] - last_s <= GONE_S


async def test_a_hold_that_lapsed_does_not_revive_and_another_does(held: Finger) -> None:
    await held.refresh("h2")
    await asyncio.sleep(LAPSES_S + 0.02)
    assert (await refused(held, "h2")).code == "stale"
    await asyncio.sleep(0.1)
    assert not held.beam.lit
    await held.refresh("h3")
    assert held.beam.lit


async def test_let_go_it_is_dark_at_once_without_beat_or_control(held: Finger, both: tuple[VirtualBench, Beam]) -> None:
    await held.refresh("h4")
    async with both[0].client("wall") as wall:
        await wall.command("light", beat=False, light="pointer", level=0.0)
    assert not held.beam.lit
    assert (await refused(held, "h4")).code == "stale"


async def test_whoever_holds_it_lets_it_go_though_somebody_else_has_control(
    held: Finger, both: tuple[VirtualBench, Beam]
) -> None:
    await held.refresh("h4-b")
    async with both[0].client("wall") as wall:
        await wall.command("take", beat=False, force=True)
        let_go: dict[str, Any] = {"level": 0.0, "hold": "h4-b", "seq": held.count + 1}
        await held.client.command("light", beat=False, light="pointer", **let_go)
        assert not held.beam.lit
        assert (await refused(held, "h4-c")).code == "not_holder"
        await held.client.command("take", beat=False, force=True)


async def test_its_time_is_over_however_it_is_held(held: Finger) -> None:
    began_s = held.beam.now()
    assert await held.held("h5", 5.0, for_s=1.0) == "stale"
    await asyncio.sleep(FRAMES_S)
    assert 1.0 <= held.beam.lit_s[-1] - began_s <= 1.0 + GONE_S
    assert (await refused(held, "h6", for_s=601.0)).code == "bad_request"


async def test_it_is_lit_by_nothing_else(held: Finger) -> None:
    for way in ({"level": 1.0}, {"on": True}, {"level": 0.2, "for_s": 1.0}, {"level": 0.01}):
        with pytest.raises(Refused, match="only while somebody holds it on") as why:
            await held.client.command("light", light="pointer", **way)
        assert why.value.code == "not_allowed"
    with pytest.raises(Refused, match="only while somebody holds it on"):
        await held.client.command("light", light="dot", level=1.0)
    with pytest.raises(Refused) as step:
        await held.client.run("points")
    assert "only while somebody holds it on" in str(step.value)
    with pytest.raises(Refused, match="is no laser"):
        await held.refresh("h7", light="target_light")
    with pytest.raises(Refused, match="hold and seq belong together"):
        await held.client.command("light", light="pointer", level=1.0, hold="h7")
    with pytest.raises(Refused, match="stops_by"):
        await held.client.command("light", light="pointer", stops_by=1.0, hold="h7", seq=1)


async def test_it_needs_control_and_a_beat(held: Finger, both: tuple[VirtualBench, Beam]) -> None:
    bench, beam = both
    with pytest.raises(Refused) as without:
        await held.client.command("light", beat=False, light="pointer", level=1.0, hold="h8", seq=1)
    assert without.value.code == "stale"
    async with bench.client("wall") as wall:
        assert (await refused(Finger(beam, wall), "h8")).code == "not_holder"
        await held.refresh("h8")
        await wall.command("take", beat=False, force=True)
        assert (await refused(held, "h8")).code == "not_holder"
        await asyncio.sleep(GONE_S)
        assert not beam.lit
        await held.client.command("take", beat=False, force=True)


async def test_order_counts_and_nobody_holds_it_for_another(held: Finger, both: tuple[VirtualBench, Beam]) -> None:
    await held.refresh("h9", seq=50)
    assert (await refused(held, "h9", seq=50)).code == "stale"
    assert (await refused(held, "h9", seq=49)).code == "stale"
    assert held.beam.lit, "an old refresh neither holds it nor ends it"
    assert (await refused(held, "h9-b")).code == "busy"


async def test_a_stop_ends_it_and_what_was_sent_before_the_stop_lights_nothing(
    held: Finger, both: tuple[VirtualBench, Beam]
) -> None:
    bench, beam = both
    beat = (await held.client.kept("beat"))["beat"]
    await held.refresh("h10")
    async with bench.client("wall") as wall:
        beam.stopped_s = beam.now()
        await wall.stop()
    await held.typed("h10", beat)
    await held.typed("h11", beat)
    await asyncio.sleep(FRAMES_S + NET_S)
    assert not beam.lit
    assert beam.lit_s[-1] - beam.stopped_s <= FRAMES_S + NET_S
    assert (await refused(held, "h10")).code == "stale"
    await held.refresh("h12")
    assert beam.lit, "somebody holds it on anew, and knows of the stop"


async def test_what_was_held_up_on_its_way_lights_nothing(held: Finger) -> None:
    beam = held.beam
    beat = (await held.client.kept("beat"))["beat"]
    await asyncio.sleep(2.5)
    for _ in range(5):
        await held.typed("late", beat)
        await asyncio.sleep(0.05)
    assert not beam.lit
    assert (await refused(held, "other", light="dot", seq=-1)).code == "bad_request"


async def test_what_passed_all_checks_before_a_stop_lights_nothing_after_it(
    held: Finger, both: tuple[VirtualBench, Beam]
) -> None:
    bench, beam = both
    assert bench.daemon is not None
    assert bench.daemon._mqtt is not None
    inside = bench.daemon._mqtt._bench
    since = inside.carriage.stops
    await inside.stop("wall")
    with pytest.raises(Refused, match="A stop came after") as why:
        await inside.lights.hold("pointer", level=1.0, on=None, hold="p1", seq=1, for_s=None, by="rail", since=since)
    assert why.value.code == "stale"
    assert not beam.lit


async def test_a_stop_while_it_is_being_lit(held: Finger, both: tuple[VirtualBench, Beam]) -> None:
    bench, beam = both
    for count, after_s in enumerate((0.0, 0.001, 0.004, 0.012, 0.02, 0.03, 0.04)):
        await asyncio.sleep(0.5)
        lighting = asyncio.create_task(held.refresh(f"h13-{count}"))
        await asyncio.sleep(after_s)
        async with bench.client(f"wall-{count}") as wall:
            beam.stopped_s = beam.now()
            await wall.stop()
        with suppress(BenchdError):
            await lighting
        beam.refreshed_s = min(beam.refreshed_s, beam.stopped_s)
        await asyncio.sleep(FRAMES_S + NET_S)
        assert not beam.lit


async def test_it_is_dark_before_a_picture_is_exposed_and_stays_so(
    held: Finger, both: tuple[VirtualBench, Beam]
) -> None:
    bench, beam = both
    assert bench.daemon is not None
    assert bench.daemon._mqtt is not None
    camera = bench.daemon._mqtt._bench.assembly.named("detector", Camera)
    await held.refresh("h14")
    assert beam.lit
    before = beam.exposures
    grabbing = asyncio.create_task(camera.grab())
    await asyncio.sleep(0)
    assert (await refused(held, "h15")).code == "busy"
    await grabbing
    assert beam.exposures > before
    assert (await refused(held, "h14")).code == "stale"
    await held.refresh("h16")
    lighting = asyncio.create_task(held.refresh("h17"))
    await asyncio.gather(camera.grab(), lighting, return_exceptions=True)
    await asyncio.sleep(FRAMES_S)
    assert not beam.lit


async def test_a_run_begins_in_the_dark_though_nobody_lets_go(held: Finger) -> None:
    beam = held.beam
    await held.refresh("h18-a")
    assert beam.lit
    began_s = beam.now()
    run = await held.client.run("waits")
    await asyncio.sleep(GONE_S)
    assert beam.lit_s[-1] - began_s <= FRAMES_S + NET_S, "it did not wait for the hold to lapse"
    async with asyncio.timeout(60):
        *_, last = [state async for state in held.client.follow(run)]
    assert last["state"] == "done"


async def test_a_run_begins_and_ends_in_the_dark_and_keeps_it_so(held: Finger) -> None:
    await held.refresh("h18")
    run = await held.client.run("waits")
    assert (await refused(held, "h18")).code in ("busy", "stale")
    assert await held.held("h19", 1.0) == "busy"
    async with asyncio.timeout(60):
        *_, last = [state async for state in held.client.follow(run)]
    assert last["state"] == "done"
    await asyncio.sleep(0.2)
    assert not held.beam.lit
    assert (await refused(held, "h18")).code == "stale"
    move = asyncio.create_task(held.client.do("move", carriage_um=12_000.0))
    await asyncio.sleep(0.05)
    assert (await refused(held, "h20")).code == "busy"
    await move


async def test_a_sweep_of_pictures_with_somebody_who_keeps_trying(held: Finger) -> None:
    client, beam = held.client, held.beam
    await client.command("setup", set=STANDS)
    await client.do("nominal")
    await client.command("light", light="target_light", level=0.4)
    before = beam.exposures
    sweep = asyncio.create_task(client.do("sweep", merit="edge", lp_mm=40.0, span_um=80.0, step_um=8.0))
    count = 0
    while not sweep.done():
        count += 1
        with suppress(BenchdError):
            await held.refresh(f"s-{count}")
        await asyncio.sleep(0.033)
    await asyncio.gather(sweep, return_exceptions=True)
    assert beam.exposures > before + 5
    assert count > 20
    await client.command("light", light="target_light", level=0.0)


async def test_its_adapter_is_pulled_and_comes_back_dark(held: Finger, both: tuple[VirtualBench, Beam]) -> None:
    bench, beam = both
    await held.refresh("h21")
    await bench.fault("dmx", "unplug")
    assert (await refused(held, "h21-b")).code in ("busy", "stale", "device_fault")
    await asyncio.sleep(1.0)
    assert (await refused(held, "h22")).code == "device_fault"
    beam.lit = False  # nobody sends: the dimmer goes dark by itself, as its `on_loss` says
    beam.lit_s.append(beam.now())
    await bench.fault("dmx", "plug")
    await asyncio.sleep(2.0)
    assert not beam.lit
    await held.refresh("h23")
    assert beam.lit


async def test_misuse_in_any_order(held: Finger, both: tuple[VirtualBench, Beam]) -> None:
    """Holds, lapses, stops, runs, pictures, hands and other users as they come; the rules hold at each frame."""
    bench, beam = both
    assert bench.daemon is not None
    assert bench.daemon._mqtt is not None
    inside = bench.daemon._mqtt._bench
    camera, pointer = inside.assembly.named("detector", Camera), inside.pointer
    assert isinstance(pointer, Pointer)
    chance = random.Random(7)
    lit, tasks = 0, []
    for count in range(400):
        what = chance.choices(("hold", "wait", "stop", "run", "picture", "dark", "typed"), (60, 20, 5, 3, 5, 4, 3))[0]
        match what:
            case "hold":
                name = f"m-{count // 20}-{chance.randrange(2)}"
                with suppress(BenchdError):
                    await held.refresh(name)
            case "wait":
                await asyncio.sleep(chance.choice((0.01, 0.05, 0.2, 0.5)))
            case "stop":
                beam.stopped_s = beam.now()
                await held.client.stop()
                beam.refreshed_s = min(beam.refreshed_s, beam.stopped_s)
            case "run":
                with suppress(BenchdError):
                    await held.client.run("waits")
            case "picture":
                tasks.append(asyncio.create_task(camera.grab()))
            case "dark":
                await held.client.command("light", beat=False, light="pointer", level=0.0)
            case "typed":
                await held.typed(f"t-{count}", (await held.client.kept("beat"))["beat"].rpartition("-")[0] + "-1")
        lit += beam.lit
        await asyncio.sleep(chance.choice((0.0, 0.003, 0.03, 0.1)))
        state = await held.client.kept("procedure")
        if state["state"] == "paused":
            with suppress(BenchdError):
                await held.client.command("abort", beat=False, run=state["run"])
    await asyncio.gather(*tasks, return_exceptions=True)
    assert lit > 40, "it was lit often enough to tell"
    await asyncio.sleep(3.0)
    assert (pointer._darkening, pointer._lapsing, pointer._lighting, pointer._hold) == (None, None, None, None)


async def test_it_is_dark_when_the_daemon_ends_in_order(held: Finger, both: tuple[VirtualBench, Beam]) -> None:
    bench, beam = both
    await held.refresh("h30")
    assert beam.lit
    await bench.end_daemon()
    assert not beam.lit
    await bench.start_daemon()
    await asyncio.sleep(0.5)
    assert not beam.lit
