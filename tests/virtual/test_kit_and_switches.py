"""The conformance kit on the devices of a bench file, its hardware simulated: no motion is asked for while a switch
that bars motion is pressed, or cannot be read, and no light while the emergency stop is; the test says which. What
moves or lights up is closed before anything beside it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from benchd.devices import Axis, Light, registry
from benchd.testing.axis_conformance import AxisContract
from benchd.testing.bench_devices import BenchDevices, allowed
from benchd.testing.conformance import LightContract
from benchd.testing.rig import Rig
from tests.virtual.benches import VirtualBench
from tests.virtual.ends.serial_end import PORTS
from tests.virtual.rigs import with_switches

pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    async with VirtualBench(tmp_path_factory.mktemp("kit"), change=with_switches, daemon=False) as bench:
        yield bench


class Kit:
    """The carriage's axis as a test of the kit has it, homed; `wrote` is what its board was sent since."""

    def __init__(self, bench: VirtualBench, rig: Rig) -> None:
        self.bench, self.rig = bench, rig
        self.contract = AxisContract()
        self.axis: Axis = self.contract.device(rig)
        self.wrote: list[bytes] = []
        PORTS[str(bench.rig.cables["board"].port.link)].wrote = self.wrote.append

    async def refused(self, why: str) -> None:
        """Each of the motions, and nothing but questions goes to the board."""
        self.wrote.clear()
        stood_um = self.bench.place_um()
        for motion in (self.axis.home(), self.axis.move_to(5_000.0, 4000.0), self.axis.jog(1000.0, 500.0)):
            with pytest.raises(pytest.fail.Exception, match=why) as told:
                await motion
            assert "nothing has moved" in str(told.value)
        assert set(b"".join(self.wrote)) <= set(b"?")
        assert self.bench.place_um() == pytest.approx(stood_um, abs=5.0), "but for its ringing"

    async def press(self, switch: str) -> None:
        self.bench.ask_world({"do": "press", "what": switch})
        await asyncio.sleep(0.1)  # contacts bounce


@pytest_asyncio.fixture(loop_scope="module")
async def kit(bench: VirtualBench) -> AsyncIterator[Kit]:
    devices = BenchDevices.of_file(bench.bench_file, ())
    devices.allow([allowed("stage=2000..8000")])
    async with devices.rig("stage", None) as rig:
        kit = Kit(bench, rig)
        await kit.axis.home()
        await kit.axis.move_to(3_000.0, 4000.0)
        yield kit
    bench.rig.cables["inputs"].port.plug()
    for switch in ("emergency_stop", "hands_in"):
        bench.ask_world({"do": "release", "what": switch})
    await asyncio.sleep(1.0)


@pytest.mark.parametrize(
    ("switch", "name"),
    [
        ("emergency_stop", r"the emergency stop \(stop_button\)"),
        ("hands_in", r"the switch for hands in the bench \(door\)"),
    ],
)
async def test_a_switch_that_is_pressed_keeps_it_from_moving(kit: Kit, switch: str, name: str) -> None:
    await kit.press(switch)
    await kit.refused(f"{name} is pressed")
    kit.bench.ask_world({"do": "release", "what": switch})
    await asyncio.sleep(0.1)
    await kit.axis.move_to(4_000.0, 4000.0)


async def test_one_that_cannot_be_read_counts_as_pressed_until_it_can(kit: Kit) -> None:
    kit.bench.rig.cables["inputs"].unplug()
    await kit.refused(r"emergency stop \(stop_button\) could not be read, which counts as pressed")
    kit.bench.rig.cables["inputs"].port.plug()
    await kit.axis.move_to(4_000.0, 4000.0)


async def test_one_that_is_silent_counts_as_pressed(kit: Kit) -> None:
    kit.bench.rig.cables["inputs"].wire.fault("silence", {"s": 30})
    await kit.refused("could not be read, which counts as pressed")
    kit.bench.rig.cables["inputs"].wire.fault("clear", {})


async def test_a_move_that_is_begun_beside_the_test_says_why_it_was_not(kit: Kit) -> None:
    await kit.press("hands_in")
    with pytest.raises(pytest.fail.Exception, match=r"hands in the bench \(door\) is pressed"):
        await kit.contract.under_way(kit.rig, kit.axis, 0.5)


async def test_who_asks_for_it_is_told(bench: VirtualBench) -> None:
    devices = BenchDevices.of_file(bench.bench_file, ())
    devices.allow([allowed("stage")])
    (plan,) = (line for line in devices.lines() if line.startswith("stage"))
    assert plan.endswith(
        "while the emergency stop (stop_button) or the switch for hands in the bench (door) is pressed"
    )


async def test_what_does_not_move_needs_no_switch(bench: VirtualBench) -> None:
    devices = BenchDevices.of_file(bench.bench_file, ())
    bench.rig.cables["inputs"].unplug()
    async with devices.rig("stage", None) as rig:
        reading: Any = await rig.device.read()  # type: ignore[attr-defined]
        assert reading.unit == "um"
    bench.rig.cables["inputs"].port.plug()


@pytest_asyncio.fixture(loop_scope="module")
async def lamp(bench: VirtualBench) -> AsyncIterator[Light]:
    """The lamp as a test of the kit has it."""
    devices = BenchDevices.of_file(bench.bench_file, ())
    devices.allow([allowed("lamp")])
    async with devices.rig("lamp", None) as rig:
        yield LightContract().device(rig)
    for switch in ("emergency_stop", "hands_in"):
        bench.ask_world({"do": "release", "what": switch})
    await asyncio.sleep(1.0)


async def test_nothing_is_lit_while_the_emergency_stop_is_pressed(bench: VirtualBench, lamp: Light) -> None:
    wrote: list[bytes] = []
    PORTS[str(bench.rig.cables["board"].port.link)].wrote = wrote.append
    bench.ask_world({"do": "press", "what": "emergency_stop"})
    await asyncio.sleep(0.1)
    for level in (1e-3, 1.0):
        with pytest.raises(pytest.fail.Exception, match=r"the emergency stop \(stop_button\) is pressed") as told:
            await lamp.set_level(level)
        assert "nothing has moved or been lit" in str(told.value)
    assert bench.machine.lamp.level == 0.0
    assert set(b"".join(wrote)) <= set(b"?"), "nothing but questions goes to the board"
    bench.ask_world({"do": "release", "what": "emergency_stop"})
    await asyncio.sleep(0.1)
    await lamp.set_level(0.5)
    assert bench.machine.lamp.level == pytest.approx(0.5, abs=0.01)


async def test_a_light_may_go_dark_while_the_emergency_stop_is_pressed(bench: VirtualBench, lamp: Light) -> None:
    await lamp.set_level(0.5)
    bench.ask_world({"do": "press", "what": "emergency_stop"})
    await asyncio.sleep(0.1)
    await lamp.set_level(0.0)
    assert bench.machine.lamp.level == 0.0


async def test_hands_in_the_bench_bar_no_light(bench: VirtualBench, lamp: Light) -> None:
    bench.ask_world({"do": "press", "what": "hands_in"})
    await asyncio.sleep(0.1)
    await lamp.set_level(0.5)
    assert bench.machine.lamp.level == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(
    ("name", "beside"), [("stage", ["stop_button", "inputs_line", "door"]), ("lamp", ["stop_button", "inputs_line"])]
)
async def test_what_acts_is_closed_before_anything_beside_it(
    bench: VirtualBench, monkeypatch: pytest.MonkeyPatch, name: str, beside: list[str]
) -> None:
    closed: list[str] = []

    def told(kind: Any) -> None:
        close = kind.close

        async def closes(self: Any) -> None:
            closed.append(self.name)
            await close(self)

        monkeypatch.setattr(kind, "close", closes)

    devices = BenchDevices.of_file(bench.bench_file, ())
    devices.allow([allowed(name)])
    acting = registry.driver(devices.loaded.file.devices[name].driver)
    for kind in (acting, registry.driver("line"), registry.link_kind("serial")):
        told(kind)
    async with devices.rig(name, None):
        closed.clear()
    assert closed == [name, "board_line", *beside]


async def test_a_close_that_fails_leaves_nothing_beside_it_open(
    bench: VirtualBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A driver must not raise there; the kit is for those that do what they must not."""
    devices = BenchDevices.of_file(bench.bench_file, ())
    devices.allow([allowed("lamp")])
    kind = registry.driver(devices.loaded.file.devices["lamp"].driver)
    close = kind.close

    async def fails(self: Any) -> None:
        await close(self)
        raise OSError("of another's making")

    links: list[Any] = []
    serial: Any = registry.link_kind("serial")
    opens = serial.open

    async def noted(self: Any) -> None:
        links.append(self)
        await opens(self)

    monkeypatch.setattr(kind, "close", fails)
    monkeypatch.setattr(serial, "open", noted)
    with pytest.raises(OSError, match="of another's making"):
        async with devices.rig("lamp", None) as rig:
            await LightContract().device(rig).set_level(0.6)
    assert bench.machine.lamp.level == 0.0
    assert [(link.name, link.connected) for link in links] == [("board_line", False), ("inputs_line", False)]
