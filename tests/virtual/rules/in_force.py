"""What a run goes by stays in force while it is under way; what was withdrawn counts no more."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.witness import Watched

TOLD_S = 0.1
"""By then a run's end is told."""
OVER = ("idle", "done", "failed", "aborted")


class Unedited(Watched):
    """No record changes while a run uses it: that of the lens it was asked for, those of what stands by the set-up.

    A change counts that was asked for when the run was told as under way already, and which it outlives. `connected`
    names the daemon's connections; where one is lost, a run is known again when it is told anew.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        self._connected = connected
        self._lenses: dict[str, str | None] = {}
        """By the command's id: the lens that a run is asked for."""
        self._edits: dict[str, tuple[str, str | None]] = {}
        """By the command's id: the record that is to change, and the run that was under way when it was asked for."""
        self._run: str | None = None
        self._lens: str | None = None
        self._setup: dict[str, Any] = {}
        self._doubtful: list[tuple[float, str, str]] = []

    def daemon(self, up: bool) -> None:
        self._run = self._lens = None
        self._lenses.clear()
        self._edits.clear()
        self._doubtful.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        ident, args = str(request.get("id")), request.get("args")
        if verb == "run" and isinstance(args, dict) and args.get("dry") is not True:
            inputs = args.get("inputs")
            self._lenses[ident] = inputs.get("lens") if isinstance(inputs, dict) else None
        elif verb == "record" and isinstance(args, dict):
            self._edits[ident] = str(args.get("id")), self._run

    def told(self, topic: str, document: Any) -> None:
        if topic == "setup" and document:
            self._setup = document
        elif topic == "procedure" and document:
            under_way = document["state"] not in OVER and self._connected()
            if not under_way or document["run"] != self._run:
                self._run, self._lens = document["run"] if under_way else None, None
        elif topic.startswith("reply/") and document["ok"]:
            if document["id"] in self._lenses:
                self._run, self._lens = document["result"].get("run"), self._lenses[document["id"]]
            record, run = self._edits.pop(document["id"], ("", None))
            if run is not None and document["result"].get("changes") and self._uses(record):
                self._doubtful.append((self.now(), run, f"{record} changed by {document['id']}, while {run} uses it"))

    def _uses(self, record: str) -> bool:
        setup = self._setup
        return record in (self._lens, setup.get("lens"), *setup.get("adapters", ()), *setup.get("glass", ()))

    def passed(self) -> None:
        while self._doubtful and self.now() - self._doubtful[0][0] > TOLD_S:
            _, run, text = self._doubtful.pop(0)
            if run == self._run and self._connected():
                self.fail(text)


class Withdrawn(Watched):
    """No finding rests on a calibration that was withdrawn before it was told; one that is told again is none."""

    def __init__(self) -> None:
        self._out: dict[str, float] = {}
        self._known: set[str] = set()

    def told(self, topic: str, document: Any) -> None:
        if not document:
            return
        if topic == "event" and document["code"] == "withdrawn":
            self._out[document["data"]["calibration"]] = self.now()
            self.count("withdrawals")
        elif topic.startswith("finding/") and document["finding"] not in self._known:
            self._known.add(document["finding"])
            for calibration in document["calibrations"]:
                if calibration in self._out:
                    at_s = self._out[calibration]
                    self.fail(f"{document['finding']} rests on {calibration}, which was withdrawn at {at_s:.3f} s")
