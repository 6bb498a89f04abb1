"""Light is at its safe level within 2 s of any end: of a run, of the daemon, and at its next start after a kill."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.rules.motion import line_sound
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

DARK_S = 2.0
OVER = ("done", "failed", "aborted")
LEAVES_LIGHT = ("sweep", "bench_zero", "adapter_length", "fixed_zero", "there_and_back", "asked_thrice")
"""Procedures that set no light: what a person has lit before stays so."""


class Dark(Watched):
    """`lit` asks the lamp. The dimmer cannot fall by itself: after a kill the light is out when the daemon is up again.

    Somebody whose light was accepted since is no fault of the run; a board that is not heard darkens when it is.
    """

    def __init__(self, lit: Callable[[], bool]) -> None:
        self._lit = lit
        self._by: float | None = None
        self._after = ""
        self._run: str | None = None
        self._over = False
        self._lit_before = self._anybodys = False
        self._line_sound = True
        self._lights: dict[str, str] = {}
        self._asked_to_end_s = 0.0

    def daemon(self, up: bool) -> None:
        self._by = None
        self._run = None
        self._anybodys = False
        if up:
            self._due("the daemon was up")
        else:
            self._asked_to_end_s = self.now()

    def ended_in_order(self) -> None:
        took_s = self.now() - self._asked_to_end_s
        if took_s > DARK_S:
            self.fail(f"the daemon took {took_s:.1f} s to end")
        if self._line_sound and self._lit():
            self.fail("the daemon has ended in order, and the light is on")

    def _due(self, after: str) -> None:
        self._by, self._after = self.now() + DARK_S, after

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb in ("light", "run", "sweep"):
            self._lights[str(request.get("id"))] = verb

    def done(self, step: Step) -> None:
        self._line_sound = line_sound(self._line_sound, step)

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/") and document["ok"] and document["id"] in self._lights:
            self._by = None
            if self._lights[document["id"]] == "light":
                self._lit_before = self._anybodys = True  # that person's, also where a reset darkens it for a while
        elif topic == "procedure" and document:
            if document["run"] != self._run:
                self._run, self._lit_before = document["run"], self._lit() or self._anybodys
                self._over = False
            if document["state"] in OVER and not self._lit():
                self._anybodys = False
            if document["state"] not in OVER:
                self._by, self._over = None, False
            elif not self._over:  # else it is told again, over another connection
                self._over = True
                if self._run is not None and not (self._lit_before and document["procedure"] in LEAVES_LIGHT):
                    self._due(f"the end of {self._run}")

    def passed(self) -> None:
        if self._by is not None and self.now() > self._by:
            self._by = None
            if self._line_sound and self._lit():
                self.fail(f"the light is still on, 2 s after {self._after}")
