"""On a position that is not trusted nothing moves but homing; and the loss of trust is told at once."""

from __future__ import annotations

from typing import Any

from tests.virtual.rules.motion import HOME, begins
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

TOLD_S = 0.3
SEEN_S = 0.5
"""A cable that was pulled out is noticed by then (and told)."""
LOSES = {"reset": TOLD_S, "power_up": TOLD_S, "unplug": SEEN_S + TOLD_S}


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
            self._homing = True
        elif self._homed is False and not self._homing and self.now() - self._since_s > TOLD_S:
            self.fail(f"{data!r} was sent, while the carriage has not been homed since {self._since_s:.3f} s")


class LossTold(Watched):
    """After the board was reset or unplugged the state says so, as long as there is a broker to tell it."""

    def __init__(self) -> None:
        self._homed = False
        self._due: tuple[float, str] | None = None
        self._online = False
        self._spoiled = False  # lines are lost: a reset at rest, which costs no steps, may then go unheard

    def daemon(self, up: bool) -> None:
        self._homed, self._due, self._online = False, None, up

    def done(self, step: Step) -> None:
        if step.who in ("broker", "daemon"):
            self._due, self._online = None, False
        if step.who == "board":
            self._spoiled = (self._spoiled or step.do not in LOSES) and step.do != "clear"
        if step.who == "board" and step.do in LOSES and self._homed and self._online and not self._spoiled:
            self._due = self.now() + LOSES[step.do], str(step)

    def told(self, topic: str, document: Any) -> None:
        if topic == "online":
            self._online = bool(document)
        if topic == "device/carriage" and document:
            self._homed = bool(document["homed"])
            if not self._homed:
                self._due = None
        if self._due is not None and self.now() > self._due[0]:
            self.fail(f"the carriage is still told as homed, long after '{self._due[1]}'")
            self._due = None
