"""On a position that is not trusted nothing moves but homing; and the loss of trust is told at once."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

from tests.virtual.rules.motion import HOME, begins
from tests.virtual.rules.stops import is_stop
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

TOLD_S = 0.3
SEEN_S = 0.5
"""A cable that was pulled out is noticed by then (and told)."""
SILENT_S = 3.5
"""A board that says nothing for so long is given up: 0.2 s until it is asked, three questions of 1 s."""
POLLED_S = 0.3
"""At rest the scale is read every 0.2 s, and read again where its answer was lost."""
CREEP_UM = 40.0
"""The bench lets pass 25 um at rest; half of the backlash and the flicker of its last reading are on top."""
RESET_S = 3.0
"""So long after its own reset the daemon expects the board to begin anew."""
BANNER = b"RSim 1.1"
_ALARM = re.compile(rb"ALARM:\d+")
ZERO_UM = -1500.0 + 1000.0
"""Of world and board: the switch, and the pull-off from it."""
ZERO_WITHIN_UM = 4 * 3.0 + 10.0 + 15.0
"""Scatter of the switch, overrun of the motor, backlash with the screw's periodic error."""


class TrustedOnly(Watched):
    """Homing is under way from its byte until the state says homed, or why not."""

    def __init__(self) -> None:
        self._homed: bool | None = None
        self._since_s = 0.0
        self._homing = self._homing_told = False

    def told(self, topic: str, document: Any) -> None:
        if topic == "device/carriage" and document:
            homed = bool(document["homed"])
            if homed is not self._homed:
                self._homed, self._since_s = homed, self.now()
            if document["state"] == "homing":
                self._homing = self._homing_told = True  # another one, perhaps, than what was told to have ended
            elif (
                self._homing_told and document["state"] == "idle"
            ):  # what is told of the moment before comes behind the byte that begins it
                self._homing = self._homing_told = False

    def daemon(self, up: bool) -> None:
        self._homed, self._since_s = False, self.now()
        self._homing = self._homing_told = False

    def sent(self, port: str, data: bytes) -> None:
        if port != "board" or not begins(data):
            return
        if HOME in data:
            self._homing, self._homing_told = True, False
        elif self._homed is False and not self._homing and self.now() - self._since_s > TOLD_S:
            self.fail(f"{data!r} was sent, while the carriage has not been homed since {self._since_s:.3f} s")


class LossTold(Watched):
    """After what takes trust away the state says not homed, as soon as there is a broker to tell it.

    What the board says of itself counts as it is heard, garbled lines not at all. A hand or a jump moves what stands
    by more than the bench lets pass; once a motion or a stop begins, the place is compared only at its end. Where a
    stop is answered as failed nobody knows what became of it.

    `connected` names the daemon's connections; `scale_sound` says whether the scale shows what it sees.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]], scale_sound: Callable[[], bool]) -> None:
        self._connected, self._scale_sound = connected, scale_sound
        self._homed = self._idle = False
        self._due: list[tuple[float, str]] = []
        self._creep: tuple[float, str] | None = None
        self._line = b""
        self._stops: set[str] = set()
        self._reset_s = -RESET_S
        self._counter_sound = True
        self._heard = False
        """Whether there was a broker to tell it as it was looked last; what a stall held up comes just after it."""

    def daemon(self, up: bool) -> None:
        self._homed, self._creep = False, None
        self._due.clear()

    def done(self, step: Step) -> None:
        if step.who == "counter":
            self._counter_sound = step.do == "clear"
        if step.who in ("board", "counter") and step.do == "unplug":
            self._line = b""
            self._lost(str(step), SEEN_S)
        elif step.who in ("board", "counter") and step.do == "silence" and step.args["s"] > SILENT_S:
            self._lost(str(step), SILENT_S)
        elif step.do == "clear":
            self._due = [(by_s, why) for by_s, why in self._due if "silence" not in why]
        elif step.do in ("push", "encoder_jump") and abs(step.args["value"]) > CREEP_UM:
            seen = self._homed and self._idle and self._counter_sound and self._scale_sound()
            if seen:
                self._creep = self.now() + POLLED_S + TOLD_S, str(step)

    def said(self, port: str, data: bytes) -> None:
        if port != "board":
            return
        *lines, self._line = (self._line + data).split(b"\r\n")
        for line in lines:
            if _ALARM.fullmatch(line):
                self._lost(line.decode(), 0.0)
            elif line.startswith(BANNER) and self.now() - self._reset_s > RESET_S:
                self._lost("the board was reset", 0.0)

    def sent(self, port: str, data: bytes) -> None:
        if port != "board":
            return
        if b"\x18" in data:
            self._reset_s = self.now()
        if begins(data) or is_stop(data):
            self._creep = None

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb == "stop":
            self._stops.add(str(request.get("id")))

    def _lost(self, why: str, seen_s: float) -> None:
        if self._homed:
            self._due.append((self.now() + seen_s + TOLD_S, why))

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/") and not document["ok"] and document["id"] in self._stops:
            self._lost(f"the stop {document['id']} has failed", 0.0)
        elif topic == "device/carriage" and document:
            self._homed, self._idle = bool(document["homed"]), document["state"] == "idle"
            if not self._homed:
                self._due.clear()
                self._creep = None

    def passed(self) -> None:
        if self._creep is not None and self.now() > self._creep[0]:
            self._due.append(self._creep)
            self._creep = None
        before, self._heard = self._heard, bool(self._connected())
        if not self._due:
            return
        if not (before and self._heard):
            self._due = [(max(by_s, self.now() + TOLD_S), why) for by_s, why in self._due]
        elif self.now() > (first := min(self._due))[0]:
            self._due.clear()
            self.fail(f"the carriage is still told as homed, {TOLD_S:g} s and more after: {first[1]}")


class HomedWell(Watched):
    """`homed` comes back by a homing cycle alone, one that was not stopped and has found the switch of the world.

    `zero_um` is where the carriage truly stands when the count of steps is 0.
    """

    def __init__(self, zero_um: Callable[[], float]) -> None:
        self._zero_um = zero_um
        self._homed = False
        self._up = self._cycle = self._spoiled = False
        self._stopped_s = math.inf

    def daemon(self, up: bool) -> None:
        self._up, self._homed, self._cycle = up, False, False

    def done(self, step: Step) -> None:
        if step.who == "world":
            self._spoiled = True  # it was pushed, or its switch stuck, on the way

    def sent(self, port: str, data: bytes) -> None:
        if port != "board":
            return
        if HOME in data:
            self._cycle, self._spoiled, self._stopped_s = True, False, math.inf
        elif is_stop(data):
            self._stopped_s = min(self._stopped_s, self.now())

    def told(self, topic: str, document: Any) -> None:
        if topic != "device/carriage" or not document or not self._up:  # one that ends tells to the last
            return
        before, self._homed = self._homed, bool(document["homed"])
        if self._homed and document["state"] == "homing":
            self.fail("the carriage is told as homed while it homes")
        if self._homed and not before:
            off_um = self._zero_um() - ZERO_UM
            if not self._cycle:
                self.fail("the carriage is told as homed, and no homing cycle was begun since it was not")
            elif self.now() - self._stopped_s > TOLD_S:
                self.fail(f"the carriage is told as homed, and its homing was stopped at {self._stopped_s:.3f} s")
            elif not self._spoiled and abs(off_um) > ZERO_WITHIN_UM:
                self.fail(f"the carriage is told as homed, {off_um:.0f} um off the place of the switch")
        if before and not self._homed and document["state"] != "homing":
            self._cycle = False
