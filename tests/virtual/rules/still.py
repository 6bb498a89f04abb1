"""Nothing begins to move while a run says that it waits, and nothing moves while it says that it stands or is over."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.rules.motion import Causes, begins
from tests.virtual.schedule import Step

TOLD_S = 0.1
ON_ITS_WAY_S = 0.05
"""By then the message has come that the run goes on."""
WAITS = ("paused", "asking")
STANDS = ("paused", "done", "failed", "aborted")
BRAKED_S = 0.5
"""A state is told within 0.1 s, and a carriage has come to rest 0.2 s after the byte of a stop."""


class Still(Causes):
    """A command by itself, or a resume that is on its way, is no motion of the run."""

    def __init__(self) -> None:
        super().__init__()
        self._doubtful: tuple[float, str] | None = None

    def told(self, topic: str, document: Any) -> None:
        super().told(topic, document)
        if topic == "procedure" and document and document["state"] not in WAITS:
            self._doubtful = None
        self._judge()

    def daemon(self, up: bool) -> None:
        super().daemon(up)
        self._doubtful = None
        self.state, self.state_s = "idle", self.now()

    def _judge(self) -> None:
        if self._doubtful is not None and self.now() - self._doubtful[0] > ON_ITS_WAY_S:
            self.fail(self._doubtful[1])
            self._doubtful = None

    def sent(self, port: str, data: bytes) -> None:
        self._judge()
        if port != "board" or not begins(data) or self.state not in WAITS or self.now() - self.state_s < TOLD_S:
            return
        for taken_s, verb, _, ident in reversed(self.commands):
            if not self.is_cause(taken_s, ident):
                continue
            if verb == "resume" and taken_s > self.state_s - TOLD_S:
                return  # it goes back first, and says `running` when it is there
            if verb not in ("run", "resume", "sweep") and self.now() - self.ended.get(ident, self.now()) < TOLD_S:
                return
        self._doubtful = (
            self.now(),
            f"{data!r} was sent at {self.now():.3f} s, while the run says '{self.state}' since {self.state_s:.3f} s",
        )


class Stands(Causes):
    """What was begun before the run said that it stands has come to rest. `moving` asks the motor."""

    def __init__(self, moving: Callable[[], bool]) -> None:
        super().__init__()
        self._moving = moving
        self._began_s = -1.0
        self._line_sound = True

    def daemon(self, up: bool) -> None:
        super().daemon(up)
        self.state, self.state_s = "idle", self.now()

    def done(self, step: Step) -> None:
        if step.who == "board":
            self._line_sound = step.do == "clear"  # what the board does not hear or say keeps nobody from telling

    def sent(self, port: str, data: bytes) -> None:
        if port == "board" and begins(data):
            self._began_s = self.now()

    def passed(self) -> None:
        if self.state not in STANDS or self._began_s > self.state_s or not self._line_sound:
            return
        if self.now() - self.state_s > BRAKED_S and self._moving():
            self.fail(f"the carriage moves since {self._began_s:.3f} s, and the run says '{self.state}'")
            self._began_s = self.now()
