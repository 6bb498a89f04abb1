"""The state of every device as kept documents, and the watches that keep them true.

The carriage is looked at fast while it moves and slowly at rest; devices tell their health once in a while. Whatever
takes trust away is told at once, and what runs on the trusted position is brought to rest and broken off.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.jobs import Job
from benchd.bench.requests import CARRIAGE
from benchd.devices import Axis, Device, DeviceError, Encoder, Gauge, Light, Meter
from benchd.errors import BenchdError

MOVING_S = 0.05
"""As often as is told at the most: a board is not asked for what nobody hears."""
RESTING_S = 0.2
HEALTH_S = 1.0
LEAST_PAUSE_S = 0.005
DEAF_S = 5.0 * RESTING_S
"""For so long after it failed to tell surprises a carriage is taken to be unable to; it is tried again sooner."""


class Reporter:
    """Runs as tasks beside the bench; ends when cancelled. `beat_due` is called from the motion loop, at every look.

    `away` says why a device is lost, or its link, where it is: it is then `offline` and not asked.
    """

    def __init__(self, bench: Bench, beat_due: Callable[[], None], away: Callable[[str], str]) -> None:
        self._bench = bench
        self._beat_due = beat_due
        self._away = away
        self._seq: dict[str, int] = {}
        self._place: float | None = None
        self._rested = False
        self._fault: DeviceError | None = None
        self._deaf: tuple[float, DeviceError] | None = None  # since when its surprises cannot be heard, and why
        self._halting: set[asyncio.Task[None]] = set()
        bench.trust.listen(self._trust_lost)
        bench.carriage.changed = self._carriage_changed

    async def run(self) -> None:
        """Watch until cancelled."""
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._watch_carriage(), name="watch carriage")
                tasks.create_task(self._hear_surprises(), name="hear surprises")
                for name, device in self._bench.assembly.devices.items():
                    public = self._bench.assembly.public_name(name)
                    if public != CARRIAGE:
                        tasks.create_task(self._tell_device(name, public, device), name=f"tell {public}")
        finally:
            for task in self._halting:
                task.cancel()

    async def _watch_carriage(self) -> None:
        bench = self._bench
        while True:
            began = bench.clock.monotonic()
            self._beat_due()
            pause_s = MOVING_S if bench.carriage.state != "idle" else RESTING_S
            try:
                await self._look_and_beat()
            except DeviceError as error:
                self._failed(error)
                began = bench.clock.monotonic()  # what fails is not asked again before it was told
                pause_s = RESTING_S
            spent = bench.clock.monotonic() - began
            await bench.clock.sleep(max(pause_s - spent, LEAST_PAUSE_S))

    async def _look_and_beat(self) -> None:
        """One look; the beat goes on while a device makes wait for it, as the loop does."""
        look = asyncio.create_task(self._look(), name="look at the carriage")
        try:
            while not (await asyncio.wait({look}, timeout=RESTING_S))[0]:
                self._beat_due()
        finally:
            if not look.done():
                look.cancel()
                await asyncio.wait({look})
        look.result()

    async def _look(self) -> None:
        bench = self._bench
        away = [role for role in (CARRIAGE, "position") if self._away(bench.assembly.roles.get(role, role))]
        if away:
            self._place = None
            self._tell_carriage()
            return
        self._seen_at((await bench.carriage.watch_once()).value)
        health = await bench.assembly.named(CARRIAGE, Axis).health()
        waits = health.state == "fault" and health.code == "interlock"  # for a person, at the machine
        self._fault = DeviceError(health.text, code="interlock", device=CARRIAGE) if waits else self._deafness
        self._tell_carriage()

    @property
    def _deafness(self) -> DeviceError | None:
        """Why its surprises cannot be heard; one that is not renewed is over."""
        if self._deaf is None or self._bench.clock.monotonic() - self._deaf[0] > DEAF_S:
            return None
        return self._deaf[1]

    def _seen_at(self, place_um: float) -> None:
        """Take a place up. At rest only one outside the tolerance is another: a scale's last digit never rests."""
        rests = self._bench.carriage.state == "idle"
        held = self._place if rests and self._rested else None
        if held is None or abs(place_um - held) > self._bench.file.motion.tolerance_um:
            self._place = place_um
        self._rested = rests

    def _carriage_changed(self) -> None:
        """It begins or ends to move: told at once, with where it was last seen, before anybody hears of an end."""
        if self._place is not None and self._bench.carriage.place_um is not None:
            self._seen_at(self._bench.carriage.place_um)
        self._tell_carriage()

    def _failed(self, error: DeviceError) -> None:
        """A look that failed: trust goes with it. The same failure again is no news."""
        known = self._fault is not None and self._fault.text == error.text
        self._place, self._fault = None, error
        if self._bench.trust.homed:
            self._bench.trust.lose("link", error.text.rstrip("."))
        elif not known and error.text.rstrip(".") not in (self._bench.trust.why or ""):
            self._bench.events.error(error)
        self._tell_carriage()

    def _trust_lost(self, kind: str, why: str) -> None:
        """In the same turn as the loss: tell it, and begin to bring to rest what runs."""
        self._tell_carriage()
        if kind == "homing" or self._bench.jobs.kind is None:
            return
        error = DeviceError(
            f"The position is not trusted any more: {why}.",
            advice="Find the cause, then home again.",
            device=CARRIAGE,
            data={"kind": kind},
        )
        job = self._bench.jobs.set_reason(error)
        task = asyncio.create_task(self._halt(error, job), name="halt")
        self._halting.add(task)
        task.add_done_callback(self._halting.discard)

    async def _halt(self, error: BenchdError, job: Job | None) -> None:
        """The carriage is stopped as well as it can be, and the job broken off with the error."""
        with suppress(DeviceError):  # told already as what led here
            await self._bench.carriage.stop()
        await self._bench.jobs.break_off(error, job=job)

    async def _hear_surprises(self) -> None:
        bench = self._bench
        axis = bench.assembly.named(CARRIAGE, Axis)
        while True:
            try:
                async for surprise in axis.surprises():
                    # Homing fails or succeeds by itself and says so.
                    if not bench.carriage.seeking_switch:
                        bench.trust.lose(surprise.kind, surprise.text.rstrip("."))
            except DeviceError as error:
                self._fault = self._deafness or self._fault
                self._deaf = bench.clock.monotonic(), error
                self._failed(error)
            await bench.clock.sleep(RESTING_S)  # the axis was closed, for a link to be opened again

    def _tell_carriage(self) -> None:
        bench, error = self._bench, self._fault
        # One whose link is lost may have been told of before it is asked for its place again: it stands nowhere.
        place = None if bench.carriage.barred is not None else self._place
        limits: list[float] | None = None
        try:
            low_um, high_um = bench.carriage.limits_um
            # Inwards, so that what is told can be driven to.
            limits = [math.ceil(10.0 * low_um) / 10.0, math.floor(10.0 * high_um) / 10.0]
        except DeviceError as failed:  # a driver that cannot even say its travel
            error = error or failed
        state = "fault" if error is not None else bench.carriage.state
        if bench.carriage.barred is not None:
            state = "offline"
        chain = bench.setup.chain
        offset = depth = u_um = None
        if place is not None:
            with suppress(BenchdError):  # an arrangement of another package that fails says nothing of the place
                offset, depth = chain.places.offset_um(place), chain.places.depth_um(place)
                u_um = bench.setup.position_u_um(place)
        doc: dict[str, Any] = {
            "state": state,
            "homed": bench.trust.homed,
            "why": bench.trust.why,
            "carriage_um": _tenth(place),
            "depth_um": _tenth(depth),
            "offset_um": _tenth(offset),
            "stale": bench.setup.document.stale,
            "source": bench.carriage.source,
            "limits_um": limits,
            "u_um": _tenth(u_um),
        }
        if error is not None:
            doc |= {"code": error.code, "text": error.text}
        self._put(CARRIAGE, doc)

    async def _tell_device(self, name: str, public: str, device: Device) -> None:
        """One device, again and again, by itself: one that does not answer keeps no other from being told."""
        while True:
            if why := self._away(name):
                self._put(public, {"state": "offline", "code": "link", "text": why})
            else:
                self._put(public, await _state_of(device))
            await self._bench.clock.sleep(HEALTH_S)

    def _put(self, name: str, doc: dict[str, Any]) -> None:
        seq = self._seq.get(name, 0) + 1
        self._seq[name] = seq
        self._bench.notices.put(f"device/{name}", {"t": self._bench.clock.utc(), "seq": seq, **doc})


async def _state_of(device: Device) -> dict[str, Any]:
    """What it says of itself; whatever it fails in is its fault, in its own words."""
    doc: dict[str, Any] = {"state": "fault", "code": "", "text": ""}
    try:
        health = await device.health()
        doc = {"state": health.state, "code": health.code, "text": health.text}
        if isinstance(device, Light):
            doc["level"] = await device.level()
        elif isinstance(device, Encoder | Gauge | Meter) and health.state != "fault":
            reading = await device.read()
            doc |= {"value": reading.value, "unit": reading.unit, "quality": reading.quality}
    except DeviceError as error:
        doc |= {"state": "fault", "code": error.code, "text": error.text}
    return doc


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
