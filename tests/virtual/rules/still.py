"""Nothing begins to move while a run says that it waits or is over."""

from __future__ import annotations

from typing import Any

from tests.virtual.rules.motion import Causes, begins

TOLD_S = 0.1
ON_ITS_WAY_S = 0.05
"""By then the message has come that the run goes on."""
WAITS = ("paused", "asking")


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
