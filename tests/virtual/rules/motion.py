"""What moves, by the bytes: when a motion begins, and what it was begun for."""

from __future__ import annotations

import re
from typing import Any

from tests.virtual.schedule import Step
from tests.virtual.witness import MENDED, Watched

HOME = b"$H"
_TARGET = re.compile(rb"Z(-?[0-9.]+)")
_MOTION = re.compile(rb"G[01]\b.*Z|\$J=|\$H")

MOVING_VERBS = ("home", "nominal", "move", "sweep", "run", "resume", "setup")
RUN_VERBS = ("run", "resume", "sweep")
ON_ITS_WAY_S = 0.02
"""What left before a message arrived; the bytes of a stop are out by then."""


ANSWERED_S = 2.0
"""A command that had to wait for another of the same person, such as a light in a motion, is answered by then."""
REPLIED_S = 0.05
"""From the first byte of a command that is carried out to its answer."""


def begins(data: bytes) -> bool:
    """Whether these bytes begin a motion."""
    return _MOTION.search(data) is not None


def long_lasting(verb: str, request: dict[str, Any]) -> bool:
    """Whether a command goes on after its answer, and ends with an event."""
    args = request.get("args")
    given = args if isinstance(args, dict) else {}
    match verb:
        case "run":
            return given.get("dry") is not True
        case "setup":
            return given.get("follow") is True
        case _:
            return verb in ("home", "nominal", "move", "sweep")


SPOILS_NO_BYTE = (*MENDED, "reset", "power_up", "open_door")


def line_sound(before: bool, step: Step) -> bool:
    """Whether the board hears and says every byte after this step of the schedule."""
    if step.who != "board":
        return before
    return step.do == "clear" or (before and step.do in SPOILS_NO_BYTE)


def target_mm(data: bytes) -> float | None:
    """The board's own number of where an absolute motion goes."""
    found = _TARGET.search(data)
    return float(found[1]) if found and b"$J=" not in data else None


class Causes(Watched):
    """Base of rules about why something moves: commands, beats, stops, and the run's state as they were told."""

    def __init__(self) -> None:
        self.beats: dict[str, float] = {}
        self.commands: list[tuple[float, str, str, str]] = []
        """When it was taken by the broker, verb, beat, id; of those that were not refused."""
        self.accepted: set[str] = set()
        self.ended: dict[str, float] = {}
        self.stopped_s = -1.0
        self.state = "idle"
        self.state_s = 0.0
        self.up = False

    def daemon(self, up: bool) -> None:
        self.up = up
        if not up:
            self.commands.clear()
            self.accepted.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb in MOVING_VERBS and not retained:
            beat, ident, args = request.get("beat"), request.get("id"), request.get("args")
            moves = verb != "setup" or (isinstance(args, dict) and args.get("follow") is True)
            if moves and isinstance(beat, str) and isinstance(ident, str):
                self.commands.append((self.now(), verb, beat, ident))

    def stopped(self) -> None:
        self.stopped_s = self.now()

    def is_cause(self, taken_s: float, ident: str) -> bool:
        """Whether the daemon has accepted this command, or may have and its answer is on the way."""
        return ident in self.accepted or self.now() - taken_s < ANSWERED_S

    def told(self, topic: str, document: Any) -> None:
        if topic == "beat" and document:
            self.beats.setdefault(document["beat"], self.now())
        elif topic.startswith("reply/"):
            self._replied(document)
        elif topic == "event" and document["cause"] and "was refused" not in document["text"]:
            self.ended.setdefault(document["cause"], self.now())
        elif topic == "procedure" and document:
            self.state, self.state_s = document["state"], self.now()

    def _replied(self, document: Any) -> None:
        if not document["ok"]:
            self.commands = [one for one in self.commands if one[3] != document["id"] or one[3] in self.accepted]
            return
        self.accepted.add(document["id"])
        if "beat" in document["result"]:
            self.beats.setdefault(document["result"]["beat"], self.now())  # a stop's answer brings the next one
