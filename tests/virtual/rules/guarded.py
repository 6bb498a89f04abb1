"""While somebody presses the emergency stop or has hands in the bench nothing begins to move, and what moved stands.

After an emergency stop so until it is re-armed, over every restart, in the dark.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from tests.virtual.rules.motion import begins, line_sound
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

EMERGENCY_STOP = "emergency_stop"
SEEN_S = 0.7
"""Five looks a second at rest; half a second on a line that says nothing, and what is on its way."""
STANDS_S = 2.0
DARK_S = 5.0
"""A light that could not be put out is tried again after 2 s."""
ENDED_S = 8.0
"""A light that answers late is waited for as a run ends."""
UNDER_WAY = ("running", "asking", "paused")
RECORDED_S = 1.0
"""By then a latch is on a disk that is well."""


class Guarded(Watched):
    """`acted` asks the contacts, `rearmed` how often somebody was told that it is re-armed, `moving` the motor, `lit`
    the lamp: whoever stands beside the bench sees all of it."""

    def __init__(
        self,
        acted: Callable[[], Mapping[str, bool]],
        rearmed: Callable[[], int],
        moving: Callable[[], bool],
        lit: Callable[[], bool],
    ) -> None:
        self._acted, self._rearmed = acted, rearmed
        self._moving, self._lit = moving, lit
        self._since: dict[str, float] = {}
        """Since when each was acted on, while a daemon could see it."""
        self._latched_s: float | None = None
        self._counted = rearmed()
        self._up = False
        self._line_sound = self._disk_sound = True
        self._heard_s = 0.0
        """Since when the board can be told to stand and to be dark."""

    def daemon(self, up: bool) -> None:
        pressed_s = self._since.get(EMERGENCY_STOP)
        if not up and (not self._disk_sound or (pressed_s is not None and self.now() - pressed_s < RECORDED_S)):
            self._latched_s = None  # it may not be in the record yet
        self._up, self._heard_s = up, self.now()
        self._since.clear()

    def done(self, step: Step) -> None:
        before, self._line_sound = self._line_sound, line_sound(self._line_sound, step)
        if step.who == "disk":
            self._disk_sound = step.do == "clear"
        if self._line_sound and not before:
            self._heard_s = self.now()

    def passed(self) -> None:
        if not self._up:
            return
        for name, on in self._acted().items():
            if not on:
                self._since.pop(name, None)
            else:
                self._since.setdefault(name, self.now())
        if (count := self._rearmed()) != self._counted:
            self._counted, self._latched_s = count, None
            if self._seen(EMERGENCY_STOP):
                self.fail("the emergency stop was re-armed while it was pressed")
        if self._latched_s is None and self._seen(EMERGENCY_STOP):
            self._latched_s = self.now()
            self.count("emergency stops")
        self._stands_in_the_dark()

    def _seen(self, name: str) -> bool:
        return self.now() - self._since.get(name, self.now()) > SEEN_S

    def _bars(self) -> str | None:
        if self._latched_s is not None:
            return "the emergency stop is latched"
        return next((f"{name} is acted on" for name in self._since if self._seen(name)), None)

    def _stands_in_the_dark(self) -> None:
        since_s = self._latched_s if self._latched_s is not None else min(self._since.values(), default=None)
        if since_s is None or not self._line_sound:
            return
        for_s = self.now() - max(since_s, self._heard_s)
        if for_s > STANDS_S and self._moving():
            self._heard_s = self.now()
            self.fail(f"the carriage moves, though {self._bars()} for {for_s:.1f} s")
        if self._latched_s is not None and for_s > DARK_S and self._lit():
            self._heard_s = self.now()
            self.fail(f"the lamp is on, though the emergency stop is latched for {for_s:.1f} s")

    def sent(self, port: str, data: bytes) -> None:
        if port == "board" and self._up and begins(data) and (why := self._bars()) is not None:
            self.fail(f"{data!r} was sent while {why}")


class Latched(Watched):
    """A run that was under way as the emergency stop was pressed is over soon, and waits for nothing any more.

    `connected` names the daemon's connections; none where one is lost or stalled: the end cannot be told then.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        self._connected = connected
        self._run: str | None = None
        """That which is under way."""
        self._ends: tuple[str, float] | None = None
        """The run that has to end, and since when it could have been told so."""

    def daemon(self, up: bool) -> None:
        self._run = self._ends = None

    def told(self, topic: str, document: Any) -> None:
        if topic == "procedure" and document:
            self._run = document["run"] if document["state"] in UNDER_WAY else None
        elif topic == "event" and document["code"] == EMERGENCY_STOP:
            self._ends = None if self._run is None else (self._run, self.now())

    def passed(self) -> None:
        if self._ends is None:
            return
        run, since_s = self._ends
        if run != self._run:
            self._ends = None
        elif not self._connected():
            self._ends = run, self.now()
        elif self.now() - since_s > ENDED_S:
            self._ends = None
            self.fail(f"run {run} is still under way, though the emergency stop was pressed at {since_s:.1f} s")
