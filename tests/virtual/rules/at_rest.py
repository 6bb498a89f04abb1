"""At rest what is retained is what is, and no run is left in a state without an exit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.witness import Watched


class AtRest(Watched):
    """Looked at when nothing has been asked for a while and the last run was aborted.

    `homed` asks the daemon itself whether it trusts the position; None where it is not up.
    """

    def __init__(self, homed: Callable[[], bool | None]) -> None:
        self._homed = homed
        self._state = "idle"
        self._told_homed: bool | None = None

    def daemon(self, up: bool) -> None:
        self._state = "idle"

    def told(self, topic: str, document: Any) -> None:
        if topic == "procedure" and document:
            self._state = document["state"]
        if topic == "device/carriage" and document:
            self._told_homed = document["homed"]

    def over(self) -> None:
        if self._state not in ("idle", "done", "failed", "aborted"):
            self.fail(f"the last run still says '{self._state}'")
        homed = self._homed()
        if homed is not None and homed is not self._told_homed:
            self.fail(f"the carriage is told as homed: {self._told_homed}; it is: {homed}")
