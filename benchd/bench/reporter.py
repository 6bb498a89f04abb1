"""Publishes the state of every device as kept documents, and halts the job when trust in the position is lost.

The carriage is polled fast while it moves, so that lost steps are seen within 50 ms, and published at 20 Hz; slowly at
rest, and after a minute of rest once a second like the other devices. A loss of trust is published at once, and the job
that relies on the position is stopped and cancelled.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.interlock import EMERGENCY_STOP, Switch
from benchd.bench.jobs import Job
from benchd.bench.published_devices import publish_devices
from benchd.bench.published_rings import PublishedRings
from benchd.bench.requests import CARRIAGE
from benchd.bench.switch_watch import SwitchWatch
from benchd.devices import Axis, DeviceError, done_within
from benchd.errors import BenchdError

MOVING_S = 0.05
"""Period of publishing in motion."""
WATCHED_S = 0.015
"""Polling period in motion, if the lines are as quick as that: less than the 20 ms at which a moving axis reports by
itself, so that no report is missed."""
RESTING_S = 0.2
LONG_RESTING_S = 1.0
"""Once it has been at rest, with nothing under way, for RESTED_S: all that may still happen is that it is pushed."""
RESTED_S = 60.0
ENDS_BY_ITSELF = ("homing", EMERGENCY_STOP)
"""Losses of trust whose cause ends the job under way itself."""
LEAST_PAUSE_S = 0.005
SURPRISES_FAILED_S = 5.0 * RESTING_S
"""How long a carriage whose surprises failed is published as a fault; listening is retried sooner."""


class Reporter:
    """Runs as tasks beside the bench; ends when cancelled. `beat_due` is called at every poll of the carriage.

    `away` gives the reason if a device or its link is lost: it is then published as `offline` and not polled.
    """

    def __init__(self, bench: Bench, beat_due: Callable[[], None], away: Callable[[str], str]) -> None:
        self._bench = bench
        self._beat_due = beat_due
        self._away = away
        self._seq: dict[str, int] = {}
        self._place: float | None = None
        self._rested = False
        self._active_s = self._polled_s = self._published_s = -math.inf
        self._fault: DeviceError | None = None
        self._surprises_failed: tuple[float, DeviceError] | None = (
            None  # when listening for surprises last failed, and why
        )
        self._halting: set[asyncio.Task[None]] = set()
        self.switches = SwitchWatch(bench, away, self._publish)
        self.rings = PublishedRings(bench, away, self._publish, self._begin_halt)
        bench.interlock.changed = self._interlock_changed
        bench.trust.listen(self._trust_lost)
        bench.carriage.changed = self._carriage_changed

    async def run(self) -> None:
        """Watch until cancelled."""
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._watch_carriage(), name="watch carriage")
                tasks.create_task(self._hear_surprises(), name="hear surprises")
                tasks.create_task(self.switches.run(), name="watch switches")
                self.rings.begin(tasks)
                publish_devices(self._bench, tasks, self._away, self._publish)
        finally:
            for task in self._halting:
                task.cancel()

    async def _watch_carriage(self) -> None:
        bench = self._bench
        while True:
            began = bench.clock.monotonic()
            self._beat_due()
            if not self._poll_due(began):
                await bench.clock.sleep(RESTING_S)
                continue
            self._polled_s = began
            pause_s = WATCHED_S if bench.carriage.state != "idle" else RESTING_S
            try:
                await self._poll_and_beat()
            except DeviceError as error:
                self._poll_failed(error)
                await bench.clock.sleep(RESTING_S)
                continue
            spent_s = bench.clock.monotonic() - began
            await bench.clock.sleep(max(pause_s - spent_s, LEAST_PAUSE_S))

    def _poll_due(self, now_s: float) -> bool:
        """Whether the carriage is to be polled; asked every RESTING_S at rest, so that a motion is noticed by then."""
        if self._bench.carriage.state != "idle" or self._bench.jobs.kind is not None or not self._rested:
            self._active_s = now_s
        return now_s - self._active_s < RESTED_S or now_s - self._polled_s > LONG_RESTING_S - RESTING_S / 2

    async def _poll_and_beat(self) -> None:
        """Poll the carriage once; the beat goes on while the device keeps this waiting."""
        look = asyncio.create_task(self._poll(), name="look at the carriage")
        try:
            while not await done_within(look, RESTING_S):
                self._beat_due()
        finally:
            if not look.done():
                look.cancel()
                await asyncio.wait({look})
        look.result()

    async def _poll(self) -> None:
        bench = self._bench
        away = [role for role in (CARRIAGE, "position") if self._away(bench.assembly.roles.get(role, role))]
        if away:
            self._place = None
            self._publish_carriage()
            return
        self._note_position((await bench.carriage.watch_once()).value)
        health = await bench.assembly.named(CARRIAGE, Axis).health()
        interlocked = health.state == "fault" and health.code == "interlock"  # until a person acts at the machine
        self._fault = (
            DeviceError(health.text, code="interlock", device=CARRIAGE) if interlocked else self._surprises_error
        )
        if bench.carriage.state == "idle" or bench.clock.monotonic() - self._published_s > MOVING_S - 0.5 * WATCHED_S:
            self._publish_carriage()

    @property
    def _surprises_error(self) -> DeviceError | None:
        """Why its surprises cannot be received; None once the failure is older than SURPRISES_FAILED_S."""
        if (
            self._surprises_failed is None
            or self._bench.clock.monotonic() - self._surprises_failed[0] > SURPRISES_FAILED_S
        ):
            return None
        return self._surprises_failed[1]

    def _note_position(self, place_um: float) -> None:
        """Note the position. At rest only a change beyond the tolerance counts: a scale's last digit flickers."""
        at_rest = self._bench.carriage.state == "idle"
        previous = self._place if at_rest and self._rested else None
        if previous is None or abs(place_um - previous) > self._bench.file.motion.tolerance_um:
            self._place = place_um
        self._rested = at_rest

    def _carriage_changed(self) -> None:
        """A motion begins or ends: publish at once, with the last position, before the end of a job is published."""
        if self._place is not None and self._bench.carriage.place_um is not None:
            self._note_position(self._bench.carriage.place_um)
        self._publish_carriage()

    def _poll_failed(self, error: DeviceError) -> None:
        """A poll failed: trust is lost. The same failure is not published again."""
        known = self._fault is not None and self._fault.text == error.text
        self._place, self._fault = None, error
        if self._bench.trust.homed:
            self._bench.trust.lose("link", error.text.rstrip("."))
        elif not known and error.text.rstrip(".") not in (self._bench.trust.why or ""):
            self._bench.events.error(error)
        self._publish_carriage()

    def _trust_lost(self, kind: str, why: str) -> None:
        """Called synchronously on the loss: publish it, and begin to halt the job under way."""
        self._publish_carriage()
        if kind in ENDS_BY_ITSELF or self._bench.jobs.kind is None:
            return
        error = DeviceError(
            f"The position is not trusted any more: {why}.",
            advice="Find the cause, then home again.",
            device=CARRIAGE,
            data={"kind": kind},
        )
        self._begin_halt(error)

    def _begin_halt(self, error: BenchdError) -> None:
        job = self._bench.jobs.set_reason(error)
        task = asyncio.create_task(self._halt(error, job), name="halt")
        self._halting.add(task)
        task.add_done_callback(self._halting.discard)

    def _interlock_changed(self, switch: Switch) -> None:
        """A switch begins to bar motion, or does not any more: publish both, before any consequence."""
        self.switches.tell(switch)
        self._publish_carriage()

    async def _halt(self, error: BenchdError, job: Job | None) -> None:
        """Stop all that moves if possible, and cancel the job with the error."""
        with suppress(DeviceError):  # published already as the cause of the lost trust
            await self._bench.stop()
        await self._bench.jobs.cancel(error, job=job)

    async def _hear_surprises(self) -> None:
        bench = self._bench
        axis = bench.assembly.named(CARRIAGE, Axis)
        while True:
            try:
                async for surprise in axis.surprises():
                    # Homing reports its own success or failure.
                    if not bench.carriage.seeking_switch:
                        bench.trust.lose(surprise.kind, surprise.text.rstrip("."))
            except DeviceError as error:
                self._fault = self._surprises_error or self._fault
                self._surprises_failed = bench.clock.monotonic(), error
                self._poll_failed(error)
            await bench.clock.sleep(
                RESTING_S
            )  # `surprises` ended: the axis was closed because its link is being reopened

    def _publish_carriage(self) -> None:
        bench, error = self._bench, self._fault
        self._published_s = bench.clock.monotonic()
        if (switch := bench.interlock.barring) is not None:  # what a person has to see to before anything else
            error = DeviceError(switch.sentence, code="interlock", device=switch.device)
        # After its link is lost, publish no position, even if the last one has not been cleared yet.
        place = None if bench.carriage.barred is not None else self._place
        limits: list[float] | None = None
        try:
            low_um, high_um = bench.carriage.limits_um
            # Rounded inwards, so that the published limits can be driven to.
            limits = [math.ceil(10.0 * low_um) / 10.0, math.floor(10.0 * high_um) / 10.0]
        except DeviceError as failed:  # a driver that fails even at its travel
            error = error or failed
        state = "fault" if error is not None else bench.carriage.state
        if bench.carriage.barred is not None:
            state = "offline"
        chain = bench.setup.chain
        offset = depth = u_um = None
        if place is not None:
            with suppress(BenchdError):  # the position is published even if a package's arrangement fails
                offset, depth = chain.places.offset_um(place), chain.places.depth_um(place)
                u_um = bench.setup.position_u_um(place)
        doc: dict[str, Any] = {
            "state": state,
            "homed": bench.trust.homed,
            "why": bench.trust.why,
            "carriage_um": _to_tenths(place),
            "depth_um": _to_tenths(depth),
            "offset_um": _to_tenths(offset),
            "stale": bench.setup.document.stale,
            "source": bench.carriage.source,
            "limits_um": limits,
            "u_um": _to_tenths(u_um),
        }
        if error is not None:
            doc |= {"code": error.code, "text": error.text}
        self._publish(CARRIAGE, doc)

    def _publish(self, name: str, doc: dict[str, Any]) -> None:
        seq = self._seq.get(name, 0) + 1
        self._seq[name] = seq
        self._bench.notices.put(f"device/{name}", {"t": self._bench.clock.utc(), "seq": seq, **doc})


def _to_tenths(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
