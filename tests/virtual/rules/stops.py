"""A stop's byte goes out within 20 ms of the broker's taking the stop, in whatever state, and standstill follows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.rules.motion import begins, line_sound
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

BYTE_S = 0.02
BYTES = (b"!", b"\x85", b"\x18")
BRAKES_S = 4000.0 / 20_000.0
"""Top speed by the acceleration of the bench file and of the simulated axis."""
OVERTAKES_S = 0.2
"""A stop's byte overtakes a line that is on the wire; what that begins is stopped as soon as it shows."""
SLACK_S = 0.1
REST_S = 3.0
"""With a line that loses, delays or garbles: bytes are repeated, then the board is reset, then trust is lost."""


def is_stop(data: bytes) -> bool:
    """Whether these bytes stop the board's axis."""
    return any(byte in data for byte in BYTES)


class Stops(Watched):
    """While the daemon is up, its connections are sound and the board's line is open, whether anything moves or not.

    `sound` asks for both, `connected` names the connections.
    """

    def __init__(self, sound: Callable[[], bool], connected: Callable[[], tuple[str, ...]]) -> None:
        self._sound, self._connected = sound, connected
        self._due: tuple[float, tuple[str, ...]] | None = None
        self._up = False

    def daemon(self, up: bool) -> None:
        self._up, self._due = up, None

    def done(self, step: Step) -> None:
        if step.who == "broker":
            self._due = None  # a stall holds the stop up

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb == "stop" and not retained and self._up and self._sound() and self._due is None:
            self._due = (self.now() + BYTE_S, self._connected())

    def sent(self, port: str, data: bytes) -> None:
        if port == "board" and is_stop(data):
            self._due = None

    def passed(self) -> None:
        if self._due is not None and self.now() > self._due[0]:
            if self._sound() and self._connected() == self._due[1]:
                self.fail("no stop byte came within 20 ms of the stop")
            self._due = None


class Rests(Watched):
    """From a stop's byte the motor comes to rest by braking; over a line that is not sound, or trust is told as lost.

    `moving` asks the motor. A stop that is answered with ok says that it stands.
    """

    def __init__(self, moving: Callable[[], bool]) -> None:
        self._moving = moving
        self._stopped = False
        self._since_s: float | None = None
        self._line_sound, self._homed = True, False
        self._stops: set[str] = set()

    def daemon(self, up: bool) -> None:
        self._stopped, self._since_s, self._homed = False, None, False
        self._stops.clear()

    def done(self, step: Step) -> None:
        self._line_sound = line_sound(self._line_sound, step)

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb == "stop":
            self._stops.add(str(request.get("id")))

    def stopped(self) -> None:
        self._stopped = True

    def sent(self, port: str, data: bytes) -> None:
        if port != "board":
            return
        if begins(data):
            if self._since_s is not None and self._line_sound and self._moving():
                self.fail(f"{data!r} was sent, while the carriage still braked for a stop")
            self._since_s = None
        elif self._stopped and is_stop(data):
            self._stopped, self._since_s = False, self.now()

    def told(self, topic: str, document: Any) -> None:
        if topic == "device/carriage" and document:
            self._homed = bool(document["homed"])
        elif topic.startswith("reply/") and document["ok"] and document["id"] in self._stops:
            still_stopped = self._since_s is not None
            if still_stopped and self._moving():
                self.fail(f"the stop {document['id']} was answered, and the carriage still moves")

    def passed(self) -> None:
        if self._since_s is None:
            return
        since_s = self.now() - self._since_s
        if self._line_sound and since_s > BRAKES_S + OVERTAKES_S + SLACK_S:
            if self._moving():
                self.fail(f"the carriage still moves {since_s:.2f} s after the byte of a stop")
            self._since_s = None
        elif since_s > REST_S:
            if self._homed and self._moving():
                self.fail(f"the carriage still moves {since_s:.2f} s after the byte of a stop, and is told as homed")
            self._since_s = None


KEPT_S = 1.0
UNTOUCHED = ("board", "counter", "world", "machine", "worker", "disk")


class KeepsPlace(Watched):
    """A stop costs no trust where nothing is broken: the board brakes, and knows where it stands.

    Whatever broke a device is over once it was mended and the carriage homed anew.
    """

    def __init__(self) -> None:
        self._broken: set[tuple[str, str]] = set()
        self._homed = self._sound = self._homing = False
        self._until_s = -1.0

    def daemon(self, up: bool) -> None:
        self._homed = False
        self._until_s = -1.0

    def done(self, step: Step) -> None:
        if step.who not in UNTOUCHED:
            return
        self._sound, self._until_s = False, -1.0
        if step.do == "clear":
            self._broken = {one for one in self._broken if one[0] != step.who}
        elif step.args.get("value") in (False, 0.0):
            self._broken.discard((step.who, step.do))
        else:
            self._broken.add((step.who, step.do))

    def stopped(self) -> None:
        if self._homed and self._sound and not self._homing:
            self._until_s = self.now() + KEPT_S

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb in ("home", "run", "sweep", "setup", "resume"):
            self._until_s = -1.0  # homing takes trust for as long as it lasts

    def told(self, topic: str, document: Any) -> None:
        if topic != "device/carriage" or not document:
            return
        before, self._homed = self._homed, bool(document["homed"])
        self._homing = document["state"] == "homing"
        if self._homed and not before:
            lasting = {one for one in self._broken if one not in PASSING}
            self._sound, self._broken = not lasting, lasting
        elif before and not self._homed and self.now() < self._until_s and not self._said(document):
            self.fail(f"a stop has cost the carriage its place: {document.get('why')}")

    def _said(self, document: Any) -> bool:
        return any(cause in str(document.get("why")) for cause in COSTS_THE_PLACE)


COSTS_THE_PLACE = ("homing", "the emergency stop (")
"""Of a loss that comes with a stop and not of it."""
PASSING = {("world", one) for one in ("push", "lose_steps")} | {
    ("board", one) for one in ("reset", "power_up", "unplug", "shut_door")
}
"""What is over as soon as it has happened."""
