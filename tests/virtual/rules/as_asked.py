"""What two procedures promise: the iris is told as open again at every end, and each seating counts."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.witness import Watched

TOLD_S = 0.5
"""From the end of a run to the set-up that it left."""
OVER = ("done", "failed", "aborted")
FAILED = "a step of 'finally' failed"


class IrisOpen(Watched):
    """However `glass_toggle` ends, the set-up names no f-number after it; a step of its end that fails is logged.

    `connected` names the daemon's connections; none where one is lost or stalled, or its disk is slow.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        self._connected = connected
        self._f_number: float | None = None
        self._run: str | None = None
        self._due: tuple[float, str] | None = None

    def daemon(self, up: bool) -> None:
        self._run = self._due = None

    def log(self, level: str, text: str) -> None:
        if FAILED in text:
            self._run = self._due = None

    def told(self, topic: str, document: Any) -> None:
        if topic == "setup" and document:
            self._f_number = document["f_number"]
        elif topic == "procedure" and document:
            under_way = document["procedure"] == "glass_toggle" and document["state"] not in OVER
            if self._run is not None and document["run"] == self._run and document["state"] in OVER:
                self._due = self.now() + TOLD_S, self._run
            self._run = document["run"] if under_way else None

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb in ("setup", "run") and self._due is not None:
            self._due = None  # what it names is somebody's from now on

    def passed(self) -> None:
        if self._due is None:
            return
        by_s, run = self._due
        if not self._connected():
            self._due = self.now() + TOLD_S, run
        elif self.now() > by_s:
            self._due = None
            if self._f_number is not None:
                self.fail(f"{run} is over, and the set-up still says f/{self._f_number:g}")


class Seated(Watched):
    """The finding of a lens that was taken off and seated again n times in a run is of n + 1 seatings."""

    def __init__(self) -> None:
        self._run: str | None = None
        self._ask: str | None = None
        self._answers: dict[str, str] = {}
        self._seatings = 1
        self._known: set[str] = set()

    def daemon(self, up: bool) -> None:
        self._run = self._ask = None
        self._answers.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        args = request.get("args")
        if not isinstance(args, dict) or args.get("ask") != self._ask or self._ask is None:
            return
        if verb == "answer" and args.get("value") is True:
            self._answers[str(request.get("id"))] = str(self._ask)

    def told(self, topic: str, document: Any) -> None:
        if not document:
            return
        if topic.startswith("reply/") and self._answers.pop(document["id"], None) is not None and document["ok"]:
            self._seatings += 1
        elif topic == "online":
            self._run = None  # what was answered meanwhile is not known
        elif topic == "procedure":
            if document["run"] != self._run and document["step"] <= 2:
                self._run, self._seatings = document["run"], 1
            ask = document["ask"] or {}
            self._ask = ask["ask"] if ask.get("name") == "seat_anew" else None
        elif topic == "finding/flange" and document["finding"] not in self._known:
            self._known.add(document["finding"])
            if document["run"] == self._run:
                self._counted(document)

    def _counted(self, finding: Any) -> None:
        table = finding.get("tables", {}).get("seatings")
        found = 1 if table is None else len(table["rows"])
        if self._seatings > 1:
            self.count("findings of several seatings")
        if found != self._seatings:
            self.fail(f"{finding['finding']} is of {found} seatings; the lens was seated {self._seatings} times")
