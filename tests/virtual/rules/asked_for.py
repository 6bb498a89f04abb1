"""Nothing begins to move but for a command that was sent with a beat drawn after the last stop."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.rules.motion import ON_ITS_WAY_S, REPLIED_S, RUN_VERBS, Causes, begins
from tests.virtual.rules.stops import is_stop
from tests.virtual.schedule import Step

OVER_S = 0.3
"""From the end of a command or run to the event that tells it."""
OLDEST_BEAT_S = 3.0 + 1.0
"""3 s by the daemon's clock, and the way there and back."""


class AskedFor(Causes):
    """Fails with the bytes that have no cause. Once the byte of a stop is out, nothing from before it is one.

    `connected` names the daemon's connections; none where one is lost or stalled: of a run that was accepted just
    before, nothing is told until they are back.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        super().__init__()
        self._connected = connected
        self._deaf_s = -1.0
        """When the daemon could last tell nothing."""
        self._runs: dict[str, str] = {}
        """By the command's id: the run that was begun, as long as nothing was told of it."""
        self._byte_s = -1.0
        self._doubtful: list[tuple[float, list[str], str]] = []
        """What was begun while commands were not answered yet: when, their ids, and what was sent."""

    def done(self, step: Step) -> None:
        if step.who == "broker":
            self._doubtful.clear()  # the answer may be lost

    def told(self, topic: str, document: Any) -> None:
        super().told(topic, document)
        if topic.startswith("reply/") and document["ok"] and "run" in document["result"]:
            self._runs[document["id"]] = document["result"]["run"]
        elif topic == "procedure" and document:
            self._runs = {ident: run for ident, run in self._runs.items() if run != document["run"]}

    def daemon(self, up: bool) -> None:
        super().daemon(up)
        self._runs.clear()

    def passed(self) -> None:
        if not self._connected():
            self._deaf_s = self.now()
        while self._doubtful and self.now() - self._doubtful[0][0] > REPLIED_S:
            at_s, idents, text = self._doubtful.pop(0)
            if self.up and self.accepted.isdisjoint(idents):
                self.fail(f"at {at_s:.3f} s {text}; {' and '.join(idents)} was not accepted")

    def sent(self, port: str, data: bytes) -> None:
        if port == "board" and is_stop(data):
            self._byte_s = self.now()
        if port != "board" or not begins(data):
            return
        now = self.now()
        heard = self._byte_s >= self.stopped_s or now - self.stopped_s > ON_ITS_WAY_S
        unanswered: list[str] = []  # causes, if one of them is accepted
        for taken_s, verb, beat, ident in reversed(self.commands):
            drawn_s = self.beats.get(beat, -1.0)
            if drawn_s < 0.0 or taken_s - drawn_s > OLDEST_BEAT_S:
                continue
            if (drawn_s < self.stopped_s and heard) or not self.is_cause(taken_s, ident):
                continue
            if verb in RUN_VERBS:
                if self.state in ("running", "asking", "aborting", "paused") or now - self.state_s < OVER_S:
                    return
                if ident not in self.accepted:
                    unanswered.append(ident)
                elif now - taken_s < OVER_S or (ident in self._runs and self._deaf_s >= taken_s):
                    return  # that it runs is told behind its first byte
            elif now - self.ended.get(ident, now) < OVER_S:
                if ident in self.accepted:
                    return
                unanswered.append(ident)
        if unanswered:
            self._doubtful.append((now, unanswered, f"{data!r} was sent"))
            return
        self.fail(f"{data!r} was sent, while nobody had asked for it since the stop at {self.stopped_s:.3f} s")
