"""Motor and scale are as far apart as they were when the place was found."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.witness import Watched

APART_UM = 60.0 + 15.0
"""What the bench lets pass, with backlash and the screw's periodic error."""
PITCH_REL = 0.001
COMPARED_S = 2.0
"""At rest for long it is looked at once a second."""


class Agree(Watched):
    """At rest, and told as homed, scale and motor are as far apart as they were at this homing and at the first.

    `scale_um` is what the scale would read, None where it shows something else; `motor_um` the count of steps.
    """

    def __init__(self, scale_um: Callable[[], float | None], motor_um: Callable[[], float]) -> None:
        self._scale_um, self._motor_um = scale_um, motor_um
        self._homed_um: float | None = None
        self._first_um: float | None = None
        self._at_um = 0.0
        self._apart_s: float | None = None
        self._homed = self._idle = False

    def daemon(self, up: bool) -> None:
        self._homed, self._apart_s, self._homed_um, self._first_um = False, None, None, None

    def told(self, topic: str, document: Any) -> None:
        if topic != "device/carriage" or not document:
            return
        before, self._homed = self._homed, bool(document["homed"])
        self._idle = document["state"] == "idle"
        if self._homed and not before:
            scale_um = self._scale_um()
            self._homed_um = None if scale_um is None else self._motor_um() - scale_um
            self._at_um = self._motor_um()
            if self._homed_um is not None:
                if self._first_um is None:
                    self._first_um = self._homed_um
                if abs(self._homed_um - self._first_um) > APART_UM:
                    off_um = self._homed_um - self._first_um
                    self.fail(f"homed, with motor and scale {off_um:+.0f} um further apart than at the first homing")

    def passed(self) -> None:
        apart = False
        if self._homed and self._idle and self._homed_um is not None and (scale_um := self._scale_um()) is not None:
            motor_um = self._motor_um()
            off_um = abs(motor_um - scale_um - self._homed_um)
            apart = off_um > APART_UM + PITCH_REL * abs(motor_um - self._at_um)
        if not apart:
            self._apart_s = None
        elif self._apart_s is None:
            self._apart_s = self.now()
        elif self.now() - self._apart_s > COMPARED_S:
            self._apart_s, self._homed = None, False
            self.fail(f"motor and scale are {off_um:.0f} um further apart than at homing, and it is told as homed")
