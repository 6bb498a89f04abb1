"""No absolute place is commanded again by one command after it was reached, and no line is sent twice."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.rules.inside import UM_PER_MM, ZERO_MM
from tests.virtual.rules.motion import begins, long_lasting, target_mm
from tests.virtual.witness import Watched

SAME_UM = 0.05
"""The board is told its target in four decimals of a millimetre."""
STANDS_UM = 1.0
"""A step of the board's."""
RUN_UP_UM = 100.0
"""What has overshot backs off by as much as it had run up, from the same count of steps to the same one."""


class Once(Watched):
    """`motor_um` is the board's count of steps since homing. A sweep comes back to its places, but not from there."""

    def __init__(self, motor_um: Callable[[], float]) -> None:
        self._motor_um = motor_um
        self._in_run = False
        self._last_um: float | None = None
        self._reached_um: list[float] = []

    def daemon(self, up: bool) -> None:
        self._forget()

    def _forget(self) -> None:
        self._last_um = None
        self._reached_um.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if long_lasting(verb, request) or verb == "resume":
            self._forget()

    def told(self, topic: str, document: Any) -> None:
        if topic == "procedure" and document:
            self._in_run = document["state"] in ("running", "asking", "paused", "aborting")

    def sent(self, port: str, data: bytes) -> None:
        if port != "board" or not begins(data):
            return
        to_mm = target_mm(data)
        if to_mm is None:
            self._forget()
            return
        to_um, at_um = (to_mm - ZERO_MM) * UM_PER_MM, self._motor_um()
        if self._last_um is not None and abs(at_um - self._last_um) <= STANDS_UM:
            self._reached_um.append(self._last_um)
        known = self._reached_um[-1:] if self._in_run else self._reached_um
        backs_off = self._last_um is not None and abs(self._last_um - to_um - RUN_UP_UM) < SAME_UM
        if not backs_off and any(abs(to_um - one) < SAME_UM for one in known):
            self.fail(f"{data!r} goes to {to_um:.1f} um, where this command has been")
        self._last_um = to_um
