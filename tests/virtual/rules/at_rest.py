"""No run is left in a state without an exit."""

from __future__ import annotations

from typing import Any

from tests.virtual.witness import Watched

LEFT_S = {"aborting": 40.0}
"""A state that ends by itself, and by when: `finally` has 30 s a step, a light and what is at rest take less."""
HOMING_S = 60.0
"""From the far end of the travel at the board's own speeds, twice over."""


class AtRest(Watched):
    """In a history, a run leaves `aborting` and the carriage `homing` in time; at rest, the last run is over."""

    def __init__(self) -> None:
        self._state, self._state_s = "idle", 0.0
        self._homing_s: float | None = None

    def daemon(self, up: bool) -> None:
        self._state, self._homing_s = "idle", None

    def told(self, topic: str, document: Any) -> None:
        if topic == "procedure" and document and document["state"] != self._state:
            self._state, self._state_s = document["state"], self.now()
        if topic == "device/carriage" and document:
            homing = document["state"] == "homing"
            self._homing_s = (self._homing_s or self.now()) if homing else None
        if topic == "online":
            self._state_s, self._homing_s = self.now(), None

    def passed(self) -> None:
        if self.now() - self._state_s > LEFT_S.get(self._state, float("inf")):
            self.fail(f"the run says '{self._state}' since {self._state_s:.3f} s")
            self._state_s = self.now()
        if self._homing_s is not None and self.now() - self._homing_s > HOMING_S:
            self.fail(f"the carriage says 'homing' since {self._homing_s:.3f} s")
            self._homing_s = self.now()

    def over(self) -> None:
        if self._state not in ("idle", "done", "failed", "aborted"):
            self.fail(f"the last run still says '{self._state}'")
