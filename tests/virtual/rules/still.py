"""Nothing begins to move while a run says that it waits, and nothing moves while it says that it stands or is over."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from tests.virtual.rules.motion import RUN_VERBS, Causes, begins, line_sound
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

TOLD_S = 0.1
ON_ITS_WAY_S = 0.05
"""By then the message has come that the run goes on."""
AGAIN_S = 2.0
"""Once there is a broker again what is retained is told anew by then: commands that are kept there are taken back
before it."""
WAITS = ("paused", "asking")
STANDS = ("paused", "done", "failed", "aborted")
TAKEN_S = 1.0
"""From a person's command to the motion that it asks for."""
BRAKED_S = 0.5
"""A state is told within 0.1 s, and a carriage has come to rest 0.2 s after the byte of a stop."""

PAUSED_S = 0.5
"""From a stop to a run that says that it is paused."""


class Still(Causes):
    """A command by itself, or a resume that is on its way, is no motion of the run; a pause ends what a resume began.

    `connected` names the daemon's connections; none where one is lost or stalled: what the run says now comes after,
    and until it has come nobody knows it.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        super().__init__()
        self._connected = connected
        self._ask: str | None = None
        self._doubtful: tuple[float, str] | None = None
        self._sound = False
        self._over: tuple[str, ...] = ()
        """The connections over which the run's state was told last."""
        self._pauses: set[str] = set()
        self._ended_by_pause: set[str] = set()
        """The ids of pauses that were asked for, and of what had been accepted when one of them was."""

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        super().asked(user, verb, request, retained)
        if verb == "pause" and isinstance(ident := request.get("id"), str):
            self._pauses.add(ident)

    def told(self, topic: str, document: Any) -> None:
        super().told(topic, document)
        if topic.startswith("reply/") and document["ok"] and document["id"] in self._pauses:
            self._ended_by_pause |= self.accepted  # answers come in the order in which commands were carried out
        if topic == "procedure" and document:
            self._over = self._connected()
            before, self._ask = self._ask, (document["ask"] or {}).get("ask")
            if document["state"] not in WAITS or self._ask != before:
                self._doubtful = None  # it has gone on, perhaps up to its next question

    def daemon(self, up: bool) -> None:
        super().daemon(up)
        self._doubtful = None
        self.state, self.state_s = "idle", self.now()

    def passed(self) -> None:
        if self._doubtful is None:
            return
        since_s, what = self._doubtful
        over = self._connected()
        before, self._sound = self._sound, bool(over)
        if not (before and self._sound):
            self._doubtful = self.now(), what
        elif self.now() - since_s > (ON_ITS_WAY_S if over == self._over else AGAIN_S):
            self._doubtful = None
            self.fail(what)

    def sent(self, port: str, data: bytes) -> None:
        if port != "board" or not begins(data) or self.state not in WAITS or self.now() - self.state_s < TOLD_S:
            return
        for taken_s, verb, _, ident in reversed(self.commands):
            if not self.is_cause(taken_s, ident):
                continue
            if verb == "resume" and ident not in self._ended_by_pause and taken_s > self.state_s - TOLD_S:
                return  # it goes back first, and says `running` when it is there
            if verb not in ("run", "resume", "sweep") and self.now() - self.ended.get(ident, self.now()) < TOLD_S:
                return
        self._sound = bool(self._connected())
        self._doubtful = (
            self.now(),
            f"{data!r} was sent at {self.now():.3f} s, while the run says '{self.state}' since {self.state_s:.3f} s",
        )


class Stands(Causes):
    """What was begun before the run said that it stands has come to rest. `moving` asks the motor.

    A state that could not be told, as connections were lost or stalled, says nothing.
    """

    def __init__(self, moving: Callable[[], bool], connected: Callable[[], tuple[str, ...]]) -> None:
        super().__init__()
        self._moving, self._connected = moving, connected
        self._began_s = -1.0
        self._line_sound = True

    def told(self, topic: str, document: Any) -> None:
        before, since_s = self.state, self.state_s
        super().told(topic, document)
        if self.state == before:
            self.state_s = since_s  # it is told again now and then

    def daemon(self, up: bool) -> None:
        super().daemon(up)
        self.state, self.state_s = "idle", self.now()

    def done(self, step: Step) -> None:
        self._line_sound = line_sound(self._line_sound, step)

    def sent(self, port: str, data: bytes) -> None:
        if port == "board" and begins(data):
            persons = any(
                verb not in RUN_VERBS and self.now() - taken_s < TAKEN_S for taken_s, verb, _, _ in self.commands
            )
            self._began_s = math.inf if persons else self.now()  # the end of a run is told behind what follows it

    def passed(self) -> None:
        if not self._connected():
            self.state_s = self.now()
        if self.state not in STANDS or self._began_s > self.state_s or not self._line_sound:
            return
        if self.now() - self.state_s > BRAKED_S and self._moving():
            self.fail(f"the carriage moves since {self._began_s:.3f} s, and the run says '{self.state}'")
            self._began_s = self.now()


class Pauses(Watched):
    """A stop pauses the run under way: it asks no more and begins no step until it is resumed. It ends by a stop only
    where that came in homing, which leaves no place to go on from.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        self._connected = connected
        self._up = self._homed = False
        self._run: str | None = None
        """That which was told as under way."""
        self._asks, self._step = False, 0
        self._due_s: float | None = None
        self._left: tuple[float, int] | None = None
        """When a stop came and at which step, as long as nothing else can have made the run go on."""

    def daemon(self, up: bool) -> None:
        self._up, self._homed, self._run, self._asks = up, False, None, False
        self._due_s = self._left = None

    def stopped(self) -> None:
        if self._run is not None:
            self._left = self._left or (self.now(), self._step)
        if self._asks and self._due_s is None:
            self._due_s = self.now() + PAUSED_S

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb in ("answer", "resume", "abort"):
            self._due_s = None  # it goes on in the same moment, perhaps up to its next question
        if verb == "resume":
            self._left = None

    def told(self, topic: str, document: Any) -> None:
        if topic == "device/carriage" and document:
            self._homed = bool(document["homed"])
        elif topic == "procedure" and document:
            self._stands(document)
        elif topic == "event" and document["code"] == "stopped" and "was stopped" in document["text"]:
            of_the_run = self._run is not None and document["data"].get("run") == self._run
            if of_the_run and self._up and self._homed:
                self.fail(f"{self._run} has ended by a stop, though the carriage has kept its place")

    def _stands(self, document: Any) -> None:
        state, step = document["state"], document["step"]
        under_way = state in ("running", "asking", "paused")
        if not under_way or document["run"] != self._run:
            self._left = None
        elif self._left is not None and state != "paused" and step > self._left[1]:
            if self.now() - self._left[0] > TOLD_S:
                self.fail(f"{self._run} went on to step {step}, though nobody has resumed it since the stop")
            self._left = None
        self._asks, self._step = state == "asking", step
        if not self._asks:
            self._due_s = None
        if under_way or document["run"] != self._run:  # one that is over is named by the event that follows
            self._run = document["run"] if under_way else None

    def passed(self) -> None:
        if self._left is None and self._due_s is None:
            return
        if not self._connected():
            self._left = None
            self._due_s = None if self._due_s is None else self.now() + PAUSED_S
        elif self._due_s is not None and self.now() > self._due_s:
            self._due_s = None
            self.fail("a run still asks, and is not paused, though a stop came")


LOSS_ENDS_S = 12.0
"""With what is done in the end, of which a device that does not answer may take 10 s."""


class LossEnds(Watched):
    """A run under way as trust in the position is lost comes to its end."""

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        self._connected = connected
        self._homed = self._under_way = False
        self._run: str | None = None
        self._due_s: float | None = None

    def daemon(self, up: bool) -> None:
        self._homed, self._under_way, self._due_s = False, False, None

    def told(self, topic: str, document: Any) -> None:
        if topic == "device/carriage" and document:
            before, self._homed = self._homed, bool(document["homed"])
            if before and not self._homed and document["state"] != "homing" and self._under_way:
                self._due_s = self._due_s or self.now() + LOSS_ENDS_S
        elif topic == "procedure" and document:
            self._under_way = document["state"] in ("running", "asking", "paused")
            if not self._under_way or document["run"] != self._run:
                self._due_s = None
            self._run = document["run"]

    def passed(self) -> None:
        if self._due_s is None:
            return
        if not self._connected():
            self._due_s = self.now() + LOSS_ENDS_S
        elif self.now() > self._due_s:
            self._due_s = None
            self.fail(f"run {self._run} goes on, {LOSS_ENDS_S:g} s after trust in the position was lost")
