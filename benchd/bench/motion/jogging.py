"""The carriage moved by hand: short bounded segments, as long as somebody holds on.

The segment under way reaches a little farther than the hold lasts without a refresh. So it goes on smoothly while it is
refreshed, and a daemon that dies costs one segment at most. A controller counts a segment from where it finds itself,
which is farther on than where the carriage was read: near the end of what is allowed as much is kept free. From there
the last bit is gone from rest.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass

from benchd.bench.holds import LAPSES_S, Hold, Holds
from benchd.bench.motion.figures import rest_to_rest_s
from benchd.bench.motion.position import CarriagePosition
from benchd.bench.motion.trust import Trust
from benchd.devices import Axis, Clock, DeviceError, LinkError, MotionFailed

SEGMENT_S = LAPSES_S + 0.15
LOOKS_S = 0.01
"""How often it is looked whether somebody still holds on."""
ASKED_S = 0.05
"""So soon a controller has found where it is and set off. One that takes longer is stopped where that could lead
outside."""
NOTHING_UM = 0.5
"""A way so short is none: the carriage is at the end of what is allowed."""

Bounds = Callable[[], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Jogged:
    """What came of it: where the carriage stands (um), and how far it went after it was let go, or the hold lapsed."""

    carriage_um: float
    overshoot_um: float


class Jogging:
    """Sends segments for one hold after the other."""

    def __init__(self, axis: Axis, place: CarriagePosition, holds: Holds, trust: Trust, clock: Clock) -> None:
        self._axis, self._place, self._holds = axis, place, holds
        self._trust, self._clock = trust, clock
        self._speed_um_s = 0.0  # of the segment sent last
        self._rests_s = -math.inf  # when that has ended by itself, or was stopped

    async def follow(self, hold: Hold, bounds: Bounds, still: Callable[[], None]) -> float:
        """Move as the hold says until it is over; gives about where the carriage was then (um). It stands by now.

        `bounds` are the lowest and the highest place it may be sent to, and `still` raises once nothing may move any
        more, for a stop or a loss of trust. Raises what it raises, and DeviceError.
        """
        sending: asyncio.Task[None] | None = None
        sent = -1
        let_go_um = math.nan
        try:
            while self._holds.held(hold):
                still()
                if sending is not None and sending.done():
                    sending.result()
                    sending = None
                if sending is None and hold.seq != sent:
                    sent = hold.seq
                    sending = asyncio.create_task(self._segment(hold, bounds, still), name="jog segment")
                await self._clock.sleep(LOOKS_S)
        finally:
            let_go_um = self._about_um(hold.asked)
            if sending is not None:
                sending.cancel()
            await self._stop()  # before anything is waited for
            if sending is not None:
                await asyncio.wait({sending})
                if not sending.cancelled():
                    sending.exception()  # retrieved: what ended the hold counts
        return let_go_um

    async def _stop(self) -> None:
        try:
            await self._axis.stop()
        except DeviceError as error:
            self._trust.lose("link", f"the stop was not confirmed: {error.text.rstrip('.')}")
            raise
        self._rests_s = -math.inf

    async def _segment(self, hold: Hold, bounds: Bounds, still: Callable[[], None]) -> None:
        speed_um_s, up = hold.asked, math.copysign(1.0, hold.asked)
        self._place.forget()
        place = await self._place.read()
        asked_s = self._clock.monotonic()
        moves = asked_s < self._rests_s
        within_um = self._goes_on_um(speed_um_s, asked_s + ASKED_S - place.t_mono) if moves else 0.0
        end_um = bounds()[up > 0.0]
        most_um = (end_um - place.value) * up - within_um
        way_um = min(SEGMENT_S * abs(speed_um_s), most_um)
        if way_um < NOTHING_UM:
            return
        still()
        if not self._holds.held(hold):
            return
        self._rests_s = math.inf  # it is not known what the motor has received
        try:
            await self._axis.jog(abs(speed_um_s), way_um * up)
        except LinkError as lost:
            self._trust.lose("link", lost.text.rstrip("."))
            raise
        except MotionFailed as failed:
            if failed.code != "limit":  # the motor's own travel ends where it stands
                raise
        late_s = self._clock.monotonic() - asked_s - ASKED_S
        if moves and late_s > 0.0 and way_um + self._goes_on_um(speed_um_s, late_s) > most_um:
            await self._stop()
            return
        took_s = rest_to_rest_s(way_um, abs(speed_um_s), self._axis.spec.acceleration)
        self._speed_um_s, self._rests_s = speed_um_s, self._clock.monotonic() + took_s + ASKED_S

    def _goes_on_um(self, speed_um_s: float, for_s: float) -> float:
        """How far it goes in a time, and until it stands: as fast as the segment under way, or the next."""
        fastest_um_s = max(abs(speed_um_s), abs(self._speed_um_s))
        return fastest_um_s * for_s + fastest_um_s**2 / (2.0 * self._axis.spec.acceleration)

    def _about_um(self, speed_um_s: float) -> float:
        last = self._place.last
        if last is None:
            return math.nan
        return last.value + speed_um_s * min(self._clock.monotonic() - last.t_mono, LAPSES_S)
