"""The `event` of what went wrong in what came from outside: told, but never faster than a person can read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from benchd.bench.notices import Notices
from benchd.devices.clock import Clock

Severity = Literal["info", "warning", "error"]


class EventTeller:
    """Events of the remote room, limited to a burst and a rate; what was left out is counted into the next one."""

    def __init__(self, notices: Notices, clock: Clock, *, burst: int = 20, per_s: float = 5.0) -> None:
        self._notices = notices
        self._clock = clock
        self._burst = float(burst)
        self._per_s = per_s
        self._tokens = float(burst)
        self._filled = clock.monotonic()
        self.left_out = 0

    def tell(
        self,
        code: str,
        text: str,
        *,
        severity: Severity = "warning",
        advice: str = "",
        cause: str | None = None,
        data: Mapping[str, Any] | None = None,
    ) -> bool:
        """Tell an event; False when it was left out. `cause` is the id of the command behind it."""
        now = self._clock.monotonic()
        self._tokens = min(self._burst, self._tokens + (now - self._filled) * self._per_s)
        self._filled = now
        if self._tokens < 1.0:
            self.left_out += 1
            return False
        self._tokens -= 1.0
        figures = dict(data or {})
        if self.left_out:
            figures["left_out"] = self.left_out
            self.left_out = 0
        self._notices.tell(
            "event",
            {
                "t": self._clock.utc(),
                "code": code,
                "severity": severity,
                "text": text,
                "advice": advice,
                "data": figures,
                "cause": cause,
            },
        )
        return True
