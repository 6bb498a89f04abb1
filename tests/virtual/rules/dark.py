"""Light that a run has made is out within 2 s of its end; after a start of the daemon it is out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

DARK_S = 2.0
OVER = ("done", "failed", "aborted")


class Dark(Watched):
    """`lit` asks the lamp. Somebody who sets the light again, or a cable that is out, is no fault of the run."""

    def __init__(self, lit: Callable[[], bool]) -> None:
        self._lit = lit
        self._by: float | None = None
        self._run: str | None = None
        self._lit_before = self._anybodys = False

    def daemon(self, up: bool) -> None:
        self._anybodys = False
        self._by = self.now() + DARK_S if up else None

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb in ("light", "run", "sweep"):
            self._by = None
        if verb == "light":
            self._lit_before = self._anybodys = True  # it is that person's, also where a reset darkens it for a while

    def done(self, step: Step) -> None:
        if step.who in ("board", "daemon"):
            self._by = None

    def told(self, topic: str, document: Any) -> None:
        if topic == "procedure" and document:
            if document["run"] != self._run:
                self._run, self._lit_before = document["run"], self._lit() or self._anybodys
            if document["state"] in OVER and not self._lit():
                self._anybodys = False
            over = document["state"] in OVER and not self._lit_before
            self._by = self.now() + DARK_S if over else None
        if self._by is not None and self.now() > self._by:
            self._by = None
            if self._lit():
                self.fail("the light is still on, 2 s after the end")
