"""The conformance kit on the devices of a bench file; `pytest --bench FILE` collects it. See `bench_plugin`."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from benchd.devices import Axis, Camera, Device, Encoder, Gauge, Light, Meter, Reading
from benchd.testing.axis_conformance import AxisContract
from benchd.testing.bench_devices import PersonsHands
from benchd.testing.bench_plugin import DEVICES, NO_DEVICE
from benchd.testing.conformance import CameraContract, EncoderContract, GaugeContract, LightContract, MeterContract
from benchd.testing.device_conformance import DeviceContract
from benchd.testing.rig import Rig

pytestmark = pytest.mark.asyncio


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Each class on every device of its kind that may do what the class asks for."""
    cls: Any = metafunc.cls
    names = metafunc.config.stash[DEVICES].named(cls.kind, acting=cls.acting)
    metafunc.parametrize("device_name", names or [NO_DEVICE])


class OnHardware:
    """A device of the bench file, made and opened for one test."""

    kind: type[Device]
    acting = True

    @pytest_asyncio.fixture
    async def rig(self, device_name: str, pytestconfig: pytest.Config) -> AsyncIterator[Rig]:
        hands = PersonsHands(pytestconfig, device_name) if pytestconfig.getoption("--bench-hands") else None
        async with pytestconfig.stash[DEVICES].rig(device_name, hands) as rig:
            yield rig


class TestAxis(OnHardware, AxisContract):
    kind = Axis


class TestAxisAtRest(OnHardware, DeviceContract[Axis]):
    """What can be seen of an axis that must not move."""

    kind = Axis
    acting = False

    async def probe(self, device: Axis) -> Reading:
        return await device.read()


class TestEncoder(OnHardware, EncoderContract):
    kind = Encoder


class TestGauge(OnHardware, GaugeContract):
    kind = Gauge


class TestMeter(OnHardware, MeterContract):
    kind = Meter


class TestLight(OnHardware, LightContract):
    kind = Light


class TestLightAsItIs(OnHardware, DeviceContract[Light]):
    """What can be seen of a light that must not go on."""

    kind = Light
    acting = False

    async def probe(self, device: Light) -> float:
        return await device.level()


class TestCamera(OnHardware, CameraContract):
    kind = Camera
