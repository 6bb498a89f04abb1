"""Publishes the state of every device but the carriage, what turns and the switches that bar motion, once a second,
each in a task of its own."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.interlock import GUARDING
from benchd.bench.requests import CARRIAGE
from benchd.devices import Device, DeviceError, Encoder, Gauge, Light, Meter, Reading

HEALTH_S = 1.0

Publish = Callable[[str, dict[str, Any]], None]


def publish_devices(bench: Bench, tasks: asyncio.TaskGroup, away: Callable[[str], str], publish: Publish) -> None:
    """Begin the tasks. `away` gives the reason if a device or its link is lost: it is then `offline` and not asked."""
    for name, device in bench.assembly.devices.items():
        public = bench.assembly.public_name(name)
        if public not in (CARRIAGE, *GUARDING, *bench.turners):
            work = _publish_device(bench, name, public, device, away, publish)
            tasks.create_task(work, name=f"tell {public}")


async def _publish_device(
    bench: Bench, name: str, public: str, device: Device, away: Callable[[str], str], publish: Publish
) -> None:
    """In a task of its own: a device that does not answer does not delay the others."""
    is_scale = device is bench.assembly.in_role("position", Encoder)
    while True:
        if why := away(name):
            publish(public, {"state": "offline", "code": "link", "text": why})
        else:
            publish(public, await _state_of(device, _just_read(bench) if is_scale else None))
        await bench.clock.sleep(HEALTH_S)


def _just_read(bench: Bench) -> Reading | None:
    """What the scale said where the carriage asked it not long ago: one question serves both."""
    reading = bench.carriage.last_reading
    return reading if reading is not None and bench.clock.monotonic() - reading.t_mono < HEALTH_S else None


async def _state_of(device: Device, known: Reading | None) -> dict[str, Any]:
    """The state of a device; any failure is published as its fault, with its own text."""
    doc: dict[str, Any] = {"state": "fault", "code": "", "text": ""}
    try:
        health = await device.health()
        doc = {"state": health.state, "code": health.code, "text": health.text}
        if isinstance(device, Light):
            doc["level"] = await device.level()
        elif isinstance(device, Encoder | Gauge | Meter) and health.state != "fault":
            reading = known or await device.read()
            doc |= {"value": reading.value, "unit": reading.unit, "quality": reading.quality}
    except DeviceError as error:
        doc |= {"state": "fault", "code": error.code, "text": error.text}
    return doc
