"""Moves and jogs of one axis on a Modbus drive.

A move is done when the drive is at rest *and* where it was sent. What sets it off is written once: where an answer is
missed nobody knows whether it was heard, and the axis is stopped instead of asked again.
"""

from __future__ import annotations

from typing import Any

from benchd.devices import Clock, DeviceError, LinkError, LinkGarbled, LinkTimeout, MotionFailed
from benchd_drivers.modbus_asker import ModbusRefused
from benchd_drivers.modbus_axis_config import ModbusAnyAxisConfig
from benchd_drivers.modbus_drive import Drive, Status
from benchd_drivers.modbus_stopping import SILENT_S, Stopping
from benchd_drivers.modbus_watch import Watch

MARGIN_S = 3.0
INSPECT = "Inspect the bench, then home the axis."


class Motion:
    """What `ModbusAxis` moves by."""

    def __init__(
        self, name: str, config: ModbusAnyAxisConfig, drive: Drive, watch: Watch, stopping: Stopping, clock: Clock
    ) -> None:
        self._name, self._config, self._drive = name, config, drive
        self._watch, self._stopping, self._clock = watch, stopping, clock

    async def move(self, target: float, speed: float) -> float:
        """One absolute move, followed to its end; since when it stands (monotonic). Raises MotionFailed, LinkError."""
        stops = self._stopping.count
        status = await self._drive.status()
        self.go(stops)
        self._want_idle(status)
        way = abs(target - status.at)
        limit_s = 1.2 * (way / speed + speed / self._config.acceleration) + MARGIN_S
        try:
            await self._set_off(target, speed, stops)
            return await self._to_its_end(target, way > self._config.tolerance, limit_s, stops)
        except DeviceError:
            if self._stopping.count == stops:  # else somebody has stopped it already
                await self._stopping.at_any_rate()  # nothing of this move may happen later, whatever went wrong
            raise

    async def _set_off(self, target: float, speed: float, stops: int) -> None:
        count = self._config.speed_count(speed)
        if not count > 0:
            least, symbol = self._config.speed_per_count, self._config.SYMBOL
            text = f"{speed:g} {symbol}/s is slower than the drive goes, {least:g} {symbol}/s"
            raise self.failed(text, code="bad_request")
        try:
            await self._drive.set_off(target, count, lambda: self.go(stops))
        except ModbusRefused as refused:
            raise self.failed(
                f"the drive refuses the move: {refused.text.rstrip('.')}", advice=refused.advice
            ) from refused

    async def _to_its_end(self, target: float, moved: bool, limit_s: float, stops: int) -> float:
        """`moved`: being there shows that it moved; of a shorter way the drive has to show it, or time."""
        sent = self._clock.monotonic()
        idle_since: float | None = None
        while True:
            status = await self.followed(stops)
            moved = moved or status.moving
            idle_since = None if status.moving else idle_since or status.t_mono
            there = abs(status.at - target) <= self._config.tolerance
            if idle_since is not None:
                idle_s = status.t_mono - max(idle_since, sent)
                if there and (moved or idle_s >= self._config.starts_s):
                    return idle_since
                if not there and idle_s > self._config.starts_s:
                    where = f"at rest at {self._place(status.at)}, but was sent to {self._place(target)}"
                    raise self.failed(f"the drive is {where}", advice=INSPECT)
            if self._clock.monotonic() > sent + limit_s:
                raise self.failed(
                    f"the move to {self._place(target)} was not done after {limit_s:.1f} s", code="timeout"
                )
            await self._clock.sleep(self._config.poll_ms / 1000)

    async def followed(self, stops: int) -> Status:
        """The next status of a motion under way. Raises MotionFailed, LinkError, LinkTimeout where there is none."""
        heard = self._clock.monotonic()
        while True:
            self.go(stops)
            try:
                status = await self._drive.status(patient=False)
            except (LinkTimeout, LinkGarbled):
                self.go(stops)
                if self._clock.monotonic() - heard > SILENT_S or not self._drive.link.connected:
                    self._watch.on_lost("The drive went silent in a motion.")
                    raise
            except LinkError as lost:
                self._watch.on_lost(lost.text)
                raise
            else:
                self.go(stops)
                return status

    async def jog(self, velocity: float, distance: float) -> None:
        """One segment, clipped to the travel, after or instead of the one under way. Raises MotionFailed, LinkError."""
        stops = self._stopping.count
        status = await self._drive.status()
        self.go(stops)
        low, high = self._config.travel
        target = min(max(status.at + distance, low), high)
        if (target - status.at) * distance <= 0:
            raise self.failed("a soft limit is reached", code="limit", advice="Jog the other way.")
        if self._watch.activity != "jog":
            self._want_idle(status)
        try:
            if self._watch.activity == "jog" and not self._watch.prolongs(target, velocity):
                await self._stopping.to_rest()
                self.go(stops)
            self._watch.jogs(target, velocity)
            await self._set_off(target, abs(velocity), stops)
        except DeviceError:
            if self._stopping.count == stops:
                await self._stopping.at_any_rate()
            raise

    # ---- small helps

    def _place(self, at: float) -> str:
        return f"{self._config.said(at)} {self._config.SYMBOL}"

    def _want_idle(self, status: Status) -> None:
        if status.fault:
            raise self.failed("the drive reports a fault", advice=INSPECT)
        if status.moving:
            raise self.failed("the drive moves", code="busy", advice="Stop it.")

    def go(self, stops: int) -> None:
        """Raises MotionFailed where a stop or a surprise has come since `stops`."""
        if self._stopping.count != stops:
            raise self.failed("broken off by a stop")
        if self._watch.activity != "home" and not self._watch.trust.homed:
            raise self.failed(f"broken off: {self._watch.trust.why}", advice=INSPECT)

    def failed(self, text: str, *, code: str = "device_fault", advice: str = "") -> MotionFailed:
        """MotionFailed with the last frames; `text` without its full stop."""
        full: dict[str, Any] = {"code": code, "advice": advice, "device": self._name, "frames": self._drive.link.recent}
        return MotionFailed(f"{self._name}: {text}.", **full)
