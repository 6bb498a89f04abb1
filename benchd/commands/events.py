"""Rate-limited events about commands from outside, so that a client cannot flood the topic and the record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.events import Events, Severity
from benchd.devices.clock import Clock


class LimitedEvents:
    """Events about commands, limited to a burst and a rate; the number left out is in the next event."""

    def __init__(self, events: Events, clock: Clock, *, burst: int = 20, per_s: float = 5.0) -> None:
        self._events = events
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
        """Publish an event; False if it was left out. `cause` is the id of the command."""
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
        self._events.tell(code, text, severity=severity, advice=advice, data=figures, cause=cause)
        return True
