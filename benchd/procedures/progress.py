"""How far a run is and how long it will still take: the expected duration of its steps against the clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.devices import Clock


class Progress:
    """Progress over the top-level steps of a procedure, each weighing its expected duration (s)."""

    def __init__(self, clock: Clock, expected_s: Sequence[float]) -> None:
        self._clock = clock
        self._expected_s = [max(seconds, 0.1) for seconds in expected_s]
        self._step = 0
        self._share = 0.0
        self._asked_s = 0.0
        self._asking_since: float | None = None
        self._began = clock.monotonic()

    def at(self, step: int | None, share: float) -> None:
        """The run is in top-level step `step` (None: the same as before), `share` of it done (0 to 1)."""
        if step is not None:
            self._step = step
        self._share = share

    def asking(self, waits: bool) -> None:
        """A person is waited for, or not any more; such time is nobody's delay."""
        now = self._clock.monotonic()
        if waits and self._asking_since is None:
            self._asking_since = now
        elif not waits and self._asking_since is not None:
            self._asked_s += now - self._asking_since
            self._asking_since = None

    def as_json(self, state: str) -> Mapping[str, Any]:
        """step (from 1), of, progress (0 to 1), eta_s (None where nothing is to be said), in this state of the run."""
        of = len(self._expected_s)
        total = sum(self._expected_s)
        if not of:
            return {"step": 0, "of": 0, "progress": 0.0, "eta_s": None}
        if state == "done":
            return {"step": of, "of": of, "progress": 1.0, "eta_s": None}
        done = sum(self._expected_s[: self._step])
        done += self._share * self._expected_s[min(self._step, of - 1)]
        progress = min(done / total, 1.0)
        # What was expected is corrected by what it really took, once there is something to go by.
        elapsed = self._clock.monotonic() - self._began - self._asked_s
        pace = min(max(elapsed / done, 0.2), 5.0) if done > 3.0 else 1.0
        return {
            "step": min(self._step + 1, of),
            "of": of,
            "progress": round(progress, 3),
            "eta_s": None if state in ("failed", "aborted") else round((total - done) * pace, 0),
        }
