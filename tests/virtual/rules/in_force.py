"""What a run goes by stays in force while it is under way; what was withdrawn counts no more."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.witness import Watched

TOLD_S = 0.5
"""From a change of a record to its event, which waits for the state."""
OVER = ("idle", "done", "failed", "aborted")


class Unedited(Watched):
    """No record changes while a run uses it: that of the lens it was asked for, those of what stands by the set-up.

    `connected` names the daemon's connections; where one is lost, it is looked at again when a run is told anew.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        self._connected = connected
        self._lenses: dict[str, str] = {}
        """By the command's id: the lens that a run is asked for."""
        self._run: str | None = None
        self._since_s = 0.0
        self._lens: str | None = None
        self._setup: dict[str, Any] = {}

    def daemon(self, up: bool) -> None:
        self._run = None
        self._lenses.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        args = request.get("args")
        inputs = args.get("inputs") if verb == "run" and isinstance(args, dict) else None
        if isinstance(inputs, dict) and isinstance(inputs.get("lens"), str):
            self._lenses[str(request.get("id"))] = inputs["lens"]

    def told(self, topic: str, document: Any) -> None:
        if not document:
            return
        if topic == "setup":
            self._setup = document
        elif topic.startswith("reply/") and document["ok"] and document["id"] in self._lenses:
            self._lens = self._lenses[document["id"]]
        elif topic == "procedure":
            run = None if document["state"] in OVER or not self._connected() else document["run"]
            if run != self._run:
                self._run, self._since_s = run, self.now()
                self._lens = None if run is None else self._lens
        elif topic == "event" and document["code"] == "records" and self._run is not None:
            self._changed({change["record_id"] for change in document["data"]["changes"]})

    def _changed(self, records: set[str]) -> None:
        used = {self._lens, self._setup.get("lens"), *self._setup.get("adapters", ()), *self._setup.get("glass", ())}
        if (changed := records & used) and self.now() - self._since_s > TOLD_S and self._connected():
            self.fail(f"{' and '.join(sorted(changed))} changed, while {self._run} uses it since {self._since_s:.3f} s")


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
