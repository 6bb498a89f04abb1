"""The state of every device as kept documents, and the two watches that keep them true.

The carriage is looked at fast while it moves and slowly at rest; devices tell their health once in a while.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from benchd.bench.bench import CARRIAGE, Bench
from benchd.bench.chain import depth_um, offset_um
from benchd.devices import Axis, DeviceError, Encoder, Gauge, Light, Meter

MOVING_S = 0.02
RESTING_S = 0.2
HEALTH_S = 1.0


class Reporter:
    """Runs as tasks beside the bench; ends when cancelled. `beat_due` is called from the motion loop, at every look."""

    def __init__(self, bench: Bench, beat_due: Callable[[], None]) -> None:
        self._bench = bench
        self._beat_due = beat_due
        self._seq: dict[str, int] = {}

    async def run(self) -> None:
        """Watch until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch_carriage(), name="watch carriage")
            tasks.create_task(self._hear_surprises(), name="hear surprises")
            tasks.create_task(self._tell_devices(), name="tell devices")

    async def _watch_carriage(self) -> None:
        bench = self._bench
        fault: DeviceError | None = None
        while True:
            self._beat_due()
            moving = bench.carriage.state != "idle"
            try:
                reading = await bench.carriage.watch_once()
                self._tell_carriage(reading.value, None)
                fault = None
            except DeviceError as error:
                if fault is None or fault.text != error.text:
                    fault = error
                    bench.trust.lose("link", error.text.rstrip("."))
                    bench.events.error(error)
                    self._tell_carriage(None, error)
                    if bench.jobs.kind is not None:
                        await self._halt(error)
            await bench.clock.sleep(MOVING_S if moving else RESTING_S)

    async def _halt(self, error: DeviceError) -> None:
        """What runs is broken off with the error; the carriage is stopped as well as it can be."""
        with suppress(DeviceError):  # told already as the fault that led here
            await self._bench.carriage.stop()
        await self._bench.jobs.break_off(error)

    async def _hear_surprises(self) -> None:
        bench = self._bench
        axis = bench.assembly.named(CARRIAGE, Axis)
        async for surprise in axis.surprises():
            if bench.carriage.state == "homing":
                continue  # homing fails or succeeds by itself and says so
            bench.trust.lose(surprise.kind, surprise.text.rstrip("."))
            if bench.jobs.kind is not None:
                await self._halt(DeviceError(surprise.text, device=CARRIAGE, advice="Find the cause, then home again."))

    def _tell_carriage(self, place: float | None, error: DeviceError | None) -> None:
        bench = self._bench
        low, high = bench.carriage.limits_um
        state = bench.carriage.state if error is None else "fault"
        chain = bench.setup.chain
        offset = None if place is None else offset_um(chain, place)
        doc: dict[str, Any] = {
            "state": state,
            "homed": bench.trust.homed,
            "why": bench.trust.why,
            "carriage_um": _tenth(place),
            "depth_um": _tenth(None if place is None else depth_um(chain, place)),
            "offset_um": _tenth(offset),
            "stale": bench.setup.document.stale,
            "source": bench.carriage.source,
            "limits_um": [low, high],
            "u_um": _tenth(chain.u_um),
        }
        if error is not None:
            doc |= {"code": error.code, "text": error.text}
        self._put(CARRIAGE, doc)

    async def _tell_devices(self) -> None:
        bench = self._bench
        while True:
            for name, device in bench.assembly.devices.items():
                public = bench.assembly.public_name(name)
                if public == CARRIAGE:
                    continue
                health = await device.health()
                doc: dict[str, Any] = {"state": health.state, "code": health.code, "text": health.text}
                try:
                    if isinstance(device, Light):
                        doc["level"] = await device.level()
                    elif isinstance(device, Encoder | Gauge | Meter) and health.state != "fault":
                        reading = await device.read()
                        doc |= {"value": reading.value, "unit": reading.unit, "quality": reading.quality}
                except DeviceError as error:
                    doc |= {"state": "fault", "code": error.code, "text": error.text}
                self._put(public, doc)
            await bench.clock.sleep(HEALTH_S)

    def _put(self, name: str, doc: dict[str, Any]) -> None:
        seq = self._seq.get(name, 0) + 1
        self._seq[name] = seq
        self._bench.notices.put(f"device/{name}", {"t": self._bench.clock.utc(), "seq": seq, **doc})


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
