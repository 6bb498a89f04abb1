"""What a switch that bars motion brings about: a stop, the end of what runs or its pause, light at its safe level.

The emergency stop may have cut the drive's power: the position is not trusted any more, and what is under way ends.
Hands in the bench are a stop like any other, which pauses a run; a question that stands goes on standing, as hands are
often in the bench for its sake, and nothing moves meanwhile.
"""

from __future__ import annotations

import asyncio
from typing import Any

import structlog

from benchd.bench.bench import Bench
from benchd.bench.interlock import EMERGENCY_STOP, Switch
from benchd.devices import DeviceError
from benchd.procedures.runner import Runner

_log = structlog.get_logger("benchd.interlock")

REARMED, HANDS_OUT = "rearmed", "hands_out"
BY_HAND = "Switch off the drive's power by hand."


class Guarding:
    """Obeys the bench's interlock. A stop is begun as soon as the switch was read, before anything is waited for."""

    def __init__(self, bench: Bench, runner: Runner) -> None:
        self._bench, self._runner = bench, runner
        self._obeying: set[asyncio.Task[None]] = set()
        bench.interlock.tripped = self._tripped
        bench.interlock.freed = self._freed

    async def restore(self) -> str | None:
        """Latch what was latched when the last daemon ended, however that went; gives a note for a person, or None."""
        last = await self._bench.store.last_event(EMERGENCY_STOP, REARMED)
        if last is None or last.code == REARMED:
            return None
        interlock = self._bench.interlock
        interlock.restore(last.data.get("since"), str(last.data.get("unread") or ""))
        if (switch := interlock.emergency) is None or not switch.latched:
            return (
                f"{last.text} It was never re-armed, and no device has the role {EMERGENCY_STOP} any more: nothing "
                "watches it now."
            )
        return f"{switch.sentence} {switch.advice}"

    async def rearm(self, by: str) -> dict[str, Any]:
        """Re-arm the emergency stop. Nothing moves, and what was asked for before is stale.

        Raises Refused (interlock, bad_request).
        """
        interlock = self._bench.interlock
        if interlock.look is not None:
            await interlock.look()
        data = {**interlock.rearm(), "user": by}
        text = f"{by} has re-armed the emergency stop; nothing moves by itself."
        self._bench.events.tell(REARMED, text, severity="warning", advice="Home before anything moves.", data=data)
        return {"rearmed": data["device"]}

    async def close(self) -> None:
        """Cancel what is still being obeyed: the daemon brings everything to rest itself as it ends."""
        for task in self._obeying:
            task.cancel()
        if self._obeying:
            await asyncio.wait(self._obeying)

    def _tripped(self, switch: Switch) -> None:
        obey = self._end_all if switch.role == EMERGENCY_STOP else self._stop
        task = asyncio.create_task(obey(switch), name=f"obey {switch.role}")
        self._obeying.add(task)
        task.add_done_callback(self._obeying.discard)
        _log.warning("nothing moves", role=switch.role, device=switch.device, since=switch.since, why=switch.why)
        self._bench.events.tell(switch.role, switch.sentence, severity="error", advice=switch.advice, data=switch.data)

    def _freed(self, switch: Switch) -> None:
        self._bench.carriage.void()
        _log.warning("motion is allowed again", role=switch.role, device=switch.device, barred_since=switch.since)
        if switch.role != EMERGENCY_STOP:
            text = f"The hands are out of the bench ({switch.device}); nothing goes on by itself."
            self._bench.events.tell(HANDS_OUT, text, data=switch.data)

    async def _end_all(self, switch: Switch) -> None:
        bench = self._bench
        error = DeviceError(
            switch.sentence, code="interlock", advice=switch.advice, device=switch.device, data=switch.data
        )
        job = bench.jobs.set_reason(error)
        stopping = asyncio.ensure_future(self._stopped(bench.stop(switch.in_words)))
        for trust in (bench.trust, *(turner.trust for turner in bench.turners.values())):
            trust.lose(EMERGENCY_STOP, switch.why)
        await asyncio.sleep(0)  # the byte of the stop comes first
        bench.lights.make_safe(switch.in_words)
        await stopping
        await bench.jobs.cancel(error, job=job)

    async def _stop(self, switch: Switch) -> None:
        asks = self._runner.asks
        await self._stopped(self._bench.stop(switch.in_words) if asks else self._runner.stop(switch.in_words))

    async def _stopped(self, stop: Any) -> None:
        """A stop that fails is told: the next one may not, and a person can cut the power."""
        try:
            await stop
        except DeviceError as error:
            advice = f"{error.advice} {BY_HAND}".strip()
            self._bench.events.tell(error.code, error.text, severity="error", advice=advice, data=error.data)
