"""A run that is resumed goes to nominal first, and on from there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.virtual.rules.inside import RUN_UP_UM, SCREW_UM, UM_PER_MM, ZERO_MM
from tests.virtual.rules.motion import begins, target_mm
from tests.virtual.witness import Watched

TOLD_S = 0.5
"""By then the carriage at rest is told with the set-up that is in force."""


@dataclass
class _Resumed:
    nominal_um: float
    to_um: float | None = None
    accepted: bool = False


class GoesBack(Watched):
    """Of the first motion after a resume, where a lens gives the bench a nominal and nothing has made it stale.

    `motor_um` is the count of steps since homing, `scale_um` what the scale would read; None where a fault has it read
    otherwise. Of a run that asks nothing is driven before the answer.
    """

    def __init__(self, motor_um: Callable[[], float], scale_um: Callable[[], float | None]) -> None:
        self._motor_um, self._scale_um = motor_um, scale_um
        self._nominal_um: float | None = None
        self._set_up_s = 0.0
        self._waits = False
        self._ident: str | None = None
        self._resumed: _Resumed | None = None

    def daemon(self, up: bool) -> None:
        self._nominal_um = self._ident = self._resumed = None
        self._waits = False

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/"):
            if self._ident is not None and document["id"] == self._ident:
                self._ident = None
                self._replied(document["ok"])
        elif topic == "setup":
            self._set_up_s = self.now()
        elif topic == "device/carriage" and document:
            known = document["homed"] and document["state"] == "idle" and not document["stale"]
            offset_um, here_um = document["offset_um"], document["carriage_um"]
            self._nominal_um = None if not known or offset_um is None or here_um is None else here_um - offset_um
        elif topic == "procedure" and document:
            self._waits = document["state"] == "paused" and document["ask"] is None
            if document["state"] != "running":
                self._ident = self._resumed = None

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        known = self._waits and self.now() - self._set_up_s > TOLD_S
        if verb == "resume" and known and self._nominal_um is not None and isinstance(request.get("id"), str):
            self._ident, self._resumed = request["id"], _Resumed(self._nominal_um)

    def sent(self, port: str, data: bytes) -> None:
        if port != "board" or not begins(data) or self._resumed is None or self._resumed.to_um is not None:
            return
        to_mm, here_um = target_mm(data), self._scale_um()
        if to_mm is None or here_um is None:
            self._resumed = None
            return
        self._resumed.to_um = here_um + (to_mm - ZERO_MM) * UM_PER_MM - self._motor_um()
        self._judge()

    def _replied(self, ok: bool) -> None:
        if self._resumed is not None and ok:
            self._resumed.accepted = True
            self._judge()
        elif not ok:
            self._resumed = None

    def _judge(self) -> None:
        one = self._resumed
        if one is None or one.to_um is None or not one.accepted:
            return
        if abs(one.to_um - one.nominal_um) > RUN_UP_UM + SCREW_UM:
            self.fail(f"a run that was resumed goes to {one.to_um:.1f} um first; nominal is at {one.nominal_um:.1f} um")
        self._resumed = None
