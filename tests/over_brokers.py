"""A real broker (each child) and the real remote room on it."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest

from benchd.broker.config import Child, Ports, mosquitto_executable
from benchd.broker.embedded import EmbeddedBroker
from benchd.devices.clock import Clock
from benchd.testing.leaks import no_leaks
from benchd.testing.mqtt_rig import MqttRig

__all__ = ["no_leaks"]

CHILDREN: list[Child] = ["iotcore", "mosquitto"]


@pytest.fixture(params=CHILDREN)
def child(request: pytest.FixtureRequest) -> Child:
    """Each broker: where one is missing its half of the tests fails, and does not drop out unseen."""
    which: Child = request.param
    assert which == "iotcore" or mosquitto_executable(), "the package mosquitto is needed; scripts/test installs it"
    return which


@pytest.fixture
async def broker(no_leaks: None, child: Child) -> AsyncIterator[EmbeddedBroker]:
    async with EmbeddedBroker(Clock(), child=child, ports=Ports(0, 0)) as started:
        yield started


@pytest.fixture
async def rig(broker: EmbeddedBroker) -> AsyncIterator[MqttRig]:
    async with MqttRig(lambda: broker.endpoint) as built:
        yield built
