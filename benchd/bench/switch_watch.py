"""Reads the switches that bar motion, often while anything moves, and tells the interlock what they say.

A press is obeyed as it is read. A release is believed once it has lasted, so that contacts that bounce are one press.
What gives no answer in time, an answer that is none, and a link that is lost count as pressed.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.interlock import Interlock, Switch, pressed
from benchd.devices import Clock, DeviceError, Meter, Reading, done_within

MOVING_S = 0.05
RESTING_S = 0.2
"""From one look to the next: while something moves, a job is under way or a switch is pressed, and at rest."""
FRESH_S = 0.1
"""How old the last look may be as a motion begins; longer than MOVING_S, so that a run hardly ever waits for one."""
UNREAD_S = 0.5
"""What has not answered by then counts as pressed, as a lost link does within that time."""
RELEASED_S = 0.3
"""How long a switch has to be read as released; contacts of buttons and doors bounce for tens of ms (common practice,
no source)."""
TOLD_S = 1.0

Publish = Callable[[str, dict[str, Any]], None]


class _Watched:
    """One switch and the device that it is read from."""

    def __init__(self, switch: Switch, meter: Meter, interlock: Interlock, clock: Clock) -> None:
        self.switch, self._meter = switch, meter
        self._interlock, self._clock = interlock, clock
        self._asking: asyncio.Task[Reading] | None = None
        self._asked_s = self._looked_s = -math.inf
        self._released_s: float | None = None
        self._sooner, self._looked = asyncio.Event(), asyncio.Event()
        self.trouble: DeviceError | None = None
        """Why it could not be read last."""

    async def run(self, pause_s: Callable[[], float]) -> None:
        """Look at it until cancelled."""
        try:
            while True:
                await self.look()
                with suppress(TimeoutError):
                    async with asyncio.timeout(pause_s()):
                        await self._sooner.wait()
                self._sooner.clear()
        finally:
            if self._asking is not None:
                self._asking.cancel()

    async def fresh(self) -> None:
        """Return once it was looked at a moment ago; it is looked at again at once, as something is about to move."""
        self._sooner.set()
        while self._clock.monotonic() - self._looked_s > FRESH_S:
            looked = self._looked
            self._sooner.set()
            await looked.wait()

    async def look(self) -> None:
        """Read it once, and say what came of it."""
        if self._asking is None:
            self._asked_s = self._clock.monotonic()
            self._asking = asyncio.create_task(self._meter.read(), name=f"read {self.switch.device}")
        await done_within(self._asking, UNREAD_S)
        began_s, asking = self._asked_s, self._asking
        if asking.done():
            self._asking = None
            self._heard(asking, self._clock.monotonic() - began_s > UNREAD_S)
        else:  # what it still answers is too old to go by
            self._acted(DeviceError(f"it gave no answer for {UNREAD_S:g} s", code="timeout", device=self.switch.device))
        self._looked_s = self._clock.monotonic()
        looked, self._looked = self._looked, asyncio.Event()
        looked.set()

    def _heard(self, asking: asyncio.Task[Reading], late: bool) -> None:
        try:
            acted = pressed(asking.result(), self.switch.device)
        except DeviceError as error:
            self._acted(error)
            return
        if acted:
            self._acted(None)
        elif late:
            self._acted(DeviceError(f"its answer took longer than {UNREAD_S:g} s", device=self.switch.device))
        else:
            self._released()

    def _acted(self, trouble: DeviceError | None) -> None:
        self._released_s, self.trouble = None, trouble
        self._interlock.acted(self.switch, "" if trouble is None else trouble.text.rstrip("."))

    def _released(self) -> None:
        self.trouble = None
        now = self._clock.monotonic()
        if self._released_s is None:
            self._released_s = now
        if self.switch.since is None or now - self._released_s >= RELEASED_S:
            self._interlock.released(self.switch)


class SwitchWatch:
    """Watches every switch of the bench's interlock, and publishes its state as that of its device."""

    def __init__(self, bench: Bench, away: Callable[[str], str], publish: Publish) -> None:
        self._bench, self._away, self._publish = bench, away, publish
        interlock, clock = bench.interlock, bench.clock
        self._watched = [
            _Watched(switch, bench.assembly.named(switch.role, Meter), interlock, clock)
            for switch in interlock.switches
        ]
        interlock.look = self._fresh

    async def first_look(self) -> None:
        """Read each once, before anybody can ask for motion."""
        await asyncio.gather(*(watched.look() for watched in self._watched))

    async def run(self) -> None:
        """Watch until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            for watched in self._watched:
                role = watched.switch.role
                tasks.create_task(watched.run(self._pause_s), name=f"watch {role}")
                tasks.create_task(self._tell_often(watched), name=f"tell {role}")

    async def _fresh(self) -> None:
        await asyncio.gather(*(watched.fresh() for watched in self._watched))

    def _pause_s(self) -> float:
        at_rest = self._bench.carriage.state == "idle" and self._bench.jobs.kind is None
        return RESTING_S if at_rest and not any(watched.switch.pressed for watched in self._watched) else MOVING_S

    def tell(self, switch: Switch) -> None:
        """Publish its state."""
        self._tell(next(watched for watched in self._watched if watched.switch is switch))

    async def _tell_often(self, watched: _Watched) -> None:
        while True:
            self._tell(watched)
            await self._bench.clock.sleep(TOLD_S)

    def _tell(self, watched: _Watched) -> None:
        switch, trouble = watched.switch, watched.trouble
        doc: dict[str, Any] = {"state": "ok", "code": "", "text": ""}
        if why := self._away(switch.device):
            doc = {"state": "offline", "code": "link", "text": why}
        elif trouble is not None:
            doc = {"state": "fault", "code": trouble.code, "text": trouble.text}
        elif switch.bars:
            doc = {"state": "ok", "code": "interlock", "text": f"{switch.sentence} {switch.advice}"}
        doc |= {"pressed": switch.pressed, "latched": switch.latched, "since": switch.since}
        self._publish(switch.role, doc)
