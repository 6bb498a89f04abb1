"""Publishes what turns, each in a task of its own: its angle and whether that is trusted. Its surprises cost the trust,
and end the job under way where that goes by it."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.interlock import EMERGENCY_STOP
from benchd.bench.rings.turner import Turner
from benchd.devices import Axis, DeviceError
from benchd.errors import BenchdError

MOVING_S, RESTING_S = 0.1, 1.0
AGAIN_S = 0.2
"""Until its surprises are listened to again: they ended as its link is being opened anew."""

Publish = Callable[[str, dict[str, Any]], None]
Halt = Callable[[BenchdError], None]


class PublishedRings:
    """`halt` stops all and ends the job under way; `away` is why a device is offline, empty where it is not."""

    def __init__(self, bench: Bench, away: Callable[[str], str], publish: Publish, halt: Halt) -> None:
        self._bench, self._away, self._publish, self._halt = bench, away, publish, halt
        self._deg: dict[str, float | None] = dict.fromkeys(bench.turners)
        self._error: dict[str, DeviceError | None] = dict.fromkeys(bench.turners)
        for role, turner in bench.turners.items():
            turner.changed = lambda role=role: self._tell(role)  # type: ignore[misc]
            turner.trust.listen(lambda kind, why, role=role: self._lost(role, kind, why))  # type: ignore[misc]

    def begin(self, tasks: asyncio.TaskGroup) -> None:
        """Begin the tasks."""
        for role, turner in self._bench.turners.items():
            tasks.create_task(self._watch(role, turner), name=f"tell {role}")
            tasks.create_task(self._hear_surprises(role, turner), name=f"hear surprises of {role}")

    def _lost(self, role: str, kind: str, why: str) -> None:
        """Called synchronously on the loss: publish it, then begin to halt what goes by this angle."""
        self._tell(role)
        if kind not in ("homing", EMERGENCY_STOP) and self._bench.rings.goes_by(role):  # whose causes end it themselves
            text = f"The angle of {role} is not trusted any more: {why}."
            advice = f"Find the cause, then home {role} again."
            self._halt(DeviceError(text, advice=advice, device=role, data={"kind": kind}))

    async def _hear_surprises(self, role: str, turner: Turner) -> None:
        axis = self._bench.assembly.named(role, Axis)
        while True:
            with suppress(DeviceError):
                async for surprise in axis.surprises():
                    if turner.state != "homing":  # which tells its own end
                        turner.trust.lose(surprise.kind, surprise.text.rstrip("."))
            await self._bench.clock.sleep(AGAIN_S)

    async def _watch(self, role: str, turner: Turner) -> None:
        own = self._bench.assembly.roles[role]
        axis = self._bench.assembly.named(role, Axis)
        while True:
            try:
                if self._away(own):
                    self._deg[role] = self._error[role] = None
                else:
                    health = await axis.health()
                    interlocked = health.state == "fault" and health.code == "interlock"
                    self._error[role] = DeviceError(health.text, code="interlock") if interlocked else None
                    self._deg[role] = (await turner.read()).value
                    if turner.trust.homed and not axis.homed:
                        turner.trust.lose("reset", "its controller does not know its place any more")
            except DeviceError as error:
                self._deg[role], self._error[role] = None, error
            self._tell(role)
            await self._bench.clock.sleep(MOVING_S if turner.state != "idle" else RESTING_S)

    def _tell(self, role: str) -> None:
        turner, error = self._bench.turners[role], self._error[role]
        limits: list[float] | None = None
        try:  # rounded inwards, so that what is told can be driven to
            low, high = turner.turns.limits_deg
            limits = [math.ceil(100.0 * low - 1e-6) / 100.0, math.floor(100.0 * high + 1e-6) / 100.0]
        except DeviceError as failed:
            error = error or failed
        switch = self._bench.interlock.barring
        if switch is not None:  # what a person has to see to before anything else
            error = DeviceError(switch.sentence, code="interlock", device=switch.device)
        away = turner.barred is not None or bool(self._away(self._bench.assembly.roles[role]))
        deg = None if away or self._deg[role] is None else round(float(self._deg[role] or 0.0), 2)
        state = "offline" if away else "fault" if error is not None else turner.state
        doc: dict[str, Any] = {
            "state": state,
            "code": "link" if away else "" if error is None else error.code,
            "text": (turner.barred or "") if away else "" if error is None else error.text,
            "homed": turner.trust.homed,
            "why": turner.trust.why,
            "deg": deg,
            "limits_deg": limits,
        }
        self._publish(role, doc)
