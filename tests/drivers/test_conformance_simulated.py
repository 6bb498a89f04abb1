"""Our drivers through the conformance kit, against the simulated bench as a process."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
import pytest_asyncio

from benchd.devices import Device, Link
from benchd.testing.axis_conformance import AxisContract
from benchd.testing.conformance import (
    CameraContract,
    EncoderContract,
    GaugeContract,
    LightContract,
    MeterContract,
    OperatorContract,
)
from benchd.testing.rig import Hands, Rig
from benchd_drivers.capture_camera import CaptureCamera
from benchd_drivers.folder_camera import FolderCamera
from benchd_drivers.gcode_axis import GcodeAxis, GcodeRotary
from benchd_drivers.gcode_light import GcodeLight
from benchd_drivers.http_camera import HttpCamera
from benchd_drivers.line import LineDriver
from benchd_drivers.link.port import SerialLink
from benchd_drivers.modbus_link import ModbusLink
from benchd_drivers.operator import PromptOperator
from benchd_drivers.scpi_light import ScpiLight
from benchd_drivers.scpi_meter import ScpiMeter
from tests.drivers.conftest import SimulatedBench, SimulatedHands
from tests.drivers.drive import modbus_axis, modbus_light, modbus_meter, modbus_ring, rtu_link, tcp_link
from tests.drivers.folder_end import ShootingHands
from tests.drivers.instruments import LIGHT, METER, SimulatedInstruments
from tests.drivers.stage import ring_config, stage_config
from tests.drivers.video_end import CaptureByMemory, VideoEnd, VideoHands

pytestmark = pytest.mark.stack


def port(bench: object, name: str) -> SerialLink:
    return SerialLink.create(name, SerialLink.Config(port=str(bench.folder / name)))  # type: ignore[attr-defined]


STAGE = stage_config()


class TestGcodeAxis(AxisContract):
    native = False

    @pytest_asyncio.fixture
    async def rig(self, bench, hands_on) -> AsyncIterator[Rig]:  # type: ignore[no-untyped-def]
        await bench.fault("board", "native", value=self.native)
        link = port(bench, "board")
        await link.open()
        axis = GcodeAxis.create("stage", STAGE, link)
        await axis.open()
        yield Rig(axis, link, hands_on("board"), pace=5.0)
        await axis.close()
        await link.close()


class TestGcodeRotary(AxisContract):
    """A ring of the lens, in degrees, beside the carriage on the same board."""

    @pytest_asyncio.fixture
    async def rig(self, rings_bench: SimulatedBench) -> AsyncIterator[Rig]:
        await rings_bench.unlock()
        link = port(rings_bench, "board")
        await link.open()
        axis = GcodeRotary.create("focus", ring_config(), link)
        stage = GcodeAxis.create("stage", STAGE, link)
        await stage.open()
        await axis.open()
        yield Rig(axis, link, SimulatedHands(rings_bench, "board"), beside=stage, pace=5.0)
        await axis.close()
        await stage.close()
        await link.close()


class TestGcodeAxisOnUsb(TestGcodeAxis):
    """Bytes of one frame arrive together."""

    native = True


class TestGcodeLight(LightContract):
    @pytest_asyncio.fixture
    async def rig(self, bench, hands_on) -> AsyncIterator[Rig]:  # type: ignore[no-untyped-def]
        await bench.unlock()
        link = port(bench, "board")
        await link.open()
        light = GcodeLight.create("lamp", GcodeLight.Config(), link)
        await light.open()
        axis = GcodeAxis.create("stage", STAGE, link)
        await axis.open()
        yield Rig(light, link, hands_on("board"), beside=axis)
        await axis.close()
        await light.close()
        await link.close()


class LineRig:
    name = ""
    config = LineDriver.Config(ask="P?", pattern=r"^P=([-+0-9.]+)$", quantity="position", resolution_um=0.05)

    @pytest_asyncio.fixture
    async def rig(self, bench, hands_on) -> AsyncIterator[Rig]:  # type: ignore[no-untyped-def]
        link = port(bench, self.name)
        await link.open()
        device = LineDriver.create(self.name, self.config, link)
        await device.open()
        yield Rig(device, link, hands_on(self.name))
        await device.close()
        await link.close()


class TestLineEncoder(LineRig, EncoderContract):
    name = "counter"


class TestLineGauge(LineRig, GaugeContract):
    name = "indicator"
    config = LineDriver.Config(
        ask="R?", pattern=r"^R=([-+0-9.]+)$", quantity="gauge", range_um=(-600, 600), resolution_um=0.2
    )


class TestLineMeter(LineRig, MeterContract):
    name = "counter"
    config = LineDriver.Config(ask="P?", pattern=r"^P=([-+0-9.]+)$", quantity="height", unit="mm", scale=0.001)


class TestScpiMeter(MeterContract):
    """By a socket, as VISA opens it."""

    cable = "meter"
    config = ScpiMeter.Config(**METER)

    @pytest_asyncio.fixture
    async def rig(self, instruments: SimulatedInstruments) -> AsyncIterator[Rig]:
        link = instruments.link(self.cable)
        await link.open()
        device = ScpiMeter.create("diode", self.config, link)
        await device.open()
        yield Rig(device, link, instruments.hands(self.cable))
        await device.close()
        await link.close()


class TestScpiMeterOnALine(TestScpiMeter):
    cable = "meter_line"


class TestScpiMeterByBlocks(TestScpiMeter):
    config = ScpiMeter.Config(**METER, buffer={"samples": 20, "bits": 64})


class TestScpiLight(LightContract):
    """By a socket, as VISA opens it."""

    cable = "supply"

    @pytest_asyncio.fixture
    async def rig(self, instruments: SimulatedInstruments) -> AsyncIterator[Rig]:
        link = instruments.link(self.cable)
        await link.open()
        device = ScpiLight.create("lamp", ScpiLight.Config(**LIGHT), link)
        await device.open()
        yield Rig(device, link, instruments.hands(self.cable))
        await device.close()
        await link.close()
        assert not (await instruments.look("supply"))["on"]


class TestScpiLightOnALine(TestScpiLight):
    cable = "supply_line"


class TestHttpCamera(CameraContract):
    @pytest_asyncio.fixture
    async def rig(self, bench, hands_on) -> AsyncIterator[Rig]:  # type: ignore[no-untyped-def]
        ports = bench.ports
        config = HttpCamera.Config(
            url=ports["camera"],
            settings_url=ports["camera_settings"] + "?exposure_ms={exposure_ms}&gain={gain}",
            time_header="X-Frame-Time",
            timeout_s=4.0,  # the simulator computes its first picture cold
        )
        camera = HttpCamera.create("view", config, None)
        await camera.open()
        yield Rig(camera, None, hands_on("camera"))
        await camera.close()


class StreamHands(SimulatedHands):
    """Of a stream: a picture that is late holds up all that come after it, and cannot be called off."""

    silence = Hands.silence


class TestCaptureCamera(CameraContract):
    """The simulated camera's stream, which OpenCV opens."""

    @pytest_asyncio.fixture
    async def rig(self, bench: SimulatedBench) -> AsyncIterator[Rig]:
        config = CaptureCamera.Config(url=f"{bench.camera}/stream.mjpg", lag_ms=100, timeout_s=4.0)
        camera = CaptureCamera.create("view", config, None)
        await camera.open()
        yield Rig(camera, None, StreamHands(bench, "camera"))
        await camera.close()


class TestCaptureDevice(CameraContract):
    """A video device's far end."""

    @pytest_asyncio.fixture
    async def rig(self) -> AsyncIterator[Rig]:
        camera = CaptureByMemory("view", CaptureCamera.Config(device="/dev/video7", lag_ms=30, timeout_s=1.0))
        camera.end = VideoEnd()
        await camera.open()
        yield Rig(camera, None, VideoHands(camera.end))
        await camera.close()


class TestFolderCamera(CameraContract):
    """A folder into which a camera shoots by itself."""

    @pytest_asyncio.fixture
    async def rig(self, tmp_path: Path) -> AsyncIterator[Rig]:
        folder = tmp_path / "tether"
        folder.mkdir()
        hands = ShootingHands(folder)
        shooting = asyncio.create_task(hands.shoot())
        camera = FolderCamera.create("still", FolderCamera.Config(folder=str(folder), lag_s=0.05, wait_s=1.0), None)
        await camera.open()
        yield Rig(camera, None, hands)
        await camera.close()
        shooting.cancel()
        await asyncio.wait({shooting})


class OverRtu:
    """A Modbus device on the simulated drive's serial line."""

    who = "drive"
    make: Callable[[Link], Device]

    def link(self, bench: SimulatedBench) -> ModbusLink:
        return rtu_link(bench)

    @pytest_asyncio.fixture
    async def rig(self, drive_bench: SimulatedBench) -> AsyncIterator[Rig]:
        link = self.link(drive_bench)
        await link.open()
        device = type(self).make(link)
        await device.open()
        yield Rig(device, link, SimulatedHands(drive_bench, self.who), pace=5.0)
        await device.close()
        await link.close()


class OverTcp(OverRtu):
    """The same over its network socket."""

    who = "drive_tcp"

    def link(self, bench: SimulatedBench) -> ModbusLink:
        return tcp_link(bench)


class TestModbusMeterRtu(OverRtu, MeterContract):
    make = staticmethod(modbus_meter)


class TestModbusMeterTcp(OverTcp, MeterContract):
    make = staticmethod(modbus_meter)


class TestModbusLightRtu(OverRtu, LightContract):
    make = staticmethod(modbus_light)


class TestModbusLightTcp(OverTcp, LightContract):
    make = staticmethod(modbus_light)


class TestModbusAxisRtu(OverRtu, AxisContract):
    make = staticmethod(modbus_axis)


class TestModbusAxisTcp(OverTcp, AxisContract):
    make = staticmethod(modbus_axis)


class TestModbusRotaryRtu(OverRtu, AxisContract):
    make = staticmethod(modbus_ring)


class TestModbusRotaryTcp(OverTcp, AxisContract):
    make = staticmethod(modbus_ring)


class TestPromptOperator(OperatorContract):
    @pytest_asyncio.fixture
    async def rig(self) -> AsyncIterator[Rig]:
        person = PromptOperator.create("eye", PromptOperator.Config(), None)
        await person.open()

        async def says_yes() -> None:
            while True:
                for question in person.pending:
                    person.answer(question.ask, True, "wall")
                await asyncio.sleep(0.001)

        answering = asyncio.create_task(says_yes())
        yield Rig(person)
        answering.cancel()
        await asyncio.wait({answering})
        await person.close()
