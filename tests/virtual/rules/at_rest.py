"""At rest what is retained is what is, and no run is left in a state without an exit."""

from __future__ import annotations

from typing import Any

from tests.virtual.witness import Watched


class AtRest(Watched):
    """Looked at when everybody has left and the last run was aborted."""

    def __init__(self) -> None:
        self._state = "idle"

    def daemon(self, up: bool) -> None:
        self._state = "idle"

    def told(self, topic: str, document: Any) -> None:
        if topic == "procedure" and document:
            self._state = document["state"]

    def over(self) -> None:
        if self._state not in ("idle", "done", "failed", "aborted"):
            self.fail(f"the last run still says '{self._state}'")
