"""How far a run is and how long it will still take: the expected duration of its steps against the clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.devices import Clock
from benchd.procedures.plan import Plan

Expected = Sequence[Sequence[tuple[str, float]]]
"""For each top-level step what it comes to, its loops written out: verb and expected duration (s)."""

LOOK_AT_MOST = 0.9
"""Share of a step that may have passed before it tells of anything done."""


def expected(plan: Plan) -> Expected:
    """What a plan expects, without what stands under a condition and what a person takes."""
    return [
        [(entry.verb, entry.seconds) for entry in plan.entries if entry.step == index and not entry.when]
        for index in range(plan.steps)
    ]


class Progress:
    """Progress over the steps of a procedure, each weighing its expected duration (s). It never goes back."""

    def __init__(self, clock: Clock, steps: Expected) -> None:
        self._clock = clock
        self._steps = steps
        self._seconds = [max(sum(seconds for _, seconds in entries), 0.1) for entries in steps]
        self._step = 0
        self._next = 0  # entry of the top-level step that is not done yet
        self._done_s = 0.0
        self._entry_began_s = 0.0
        self._look_s: float | None = None
        self._waited_s = 0.0
        self._waiting_since: float | None = None
        self._began = clock.monotonic()

    def at(self, top: int | None, verb: str, share: float) -> None:
        """A step with this verb is under way or, with a `share` of 1, done; `top` is its index where it is top-level.

        What is carried out is the next of its verb that was expected; what was not, such as a branch, adds nothing.
        """
        if top is not None:
            self._step, self._next = top, 0
        if share == 0.0:
            self._entry_began_s, self._look_s = self._worked_s(), None
        entries = self._steps[self._step]
        before_s = sum(self._seconds[: self._step])
        if top is not None and share == 1.0:
            self._next, done_s = len(entries), self._seconds[top]
        else:
            found = next((i for i in range(self._next, len(entries)) if entries[i][0] == verb), None)
            if found is None:
                return
            done_s = sum(seconds for _, seconds in entries[:found]) + self._of_entry_s(entries[found][1], share)
            if share == 1.0:
                self._next = found + 1
        self._done_s = max(self._done_s, before_s + done_s)

    def _of_entry_s(self, seconds: float, share: float) -> float:
        """How much of its duration is done: what passed before it first told of a share is done as well, as a look."""
        if share == 0.0:
            return 0.0
        if self._look_s is None:
            passed_s = self._worked_s() - self._entry_began_s
            self._look_s = min(passed_s / self._pace(self._entry_began_s), LOOK_AT_MOST * seconds)
        return self._look_s + share * (seconds - self._look_s)

    def waiting(self, waits: bool) -> None:
        """A person is waited for, or not any more; such time is nobody's delay."""
        now = self._clock.monotonic()
        if waits and self._waiting_since is None:
            self._waiting_since = now
        elif not waits and self._waiting_since is not None:
            self._waited_s += now - self._waiting_since
            self._waiting_since = None

    def _pace(self, worked_s: float) -> float:
        """What was expected is corrected by what it really took, once there is something to go by."""
        return min(max(worked_s / self._done_s, 0.2), 5.0) if self._done_s > 3.0 else 1.0

    def _worked_s(self) -> float:
        now = self._clock.monotonic()
        waits_s = 0.0 if self._waiting_since is None else now - self._waiting_since
        return now - self._began - self._waited_s - waits_s

    def as_json(self, state: str) -> Mapping[str, Any]:
        """step (from 1), of, progress (0 to 1), eta_s (None where nothing is to be said), in this state of the run."""
        of = len(self._steps)
        total = sum(self._seconds)
        if not of:
            return {"step": 0, "of": 0, "progress": 0.0, "eta_s": None}
        if state == "done":
            return {"step": of, "of": of, "progress": 1.0, "eta_s": None}
        eta_s = max(total - self._done_s, 0.0) * self._pace(self._worked_s())
        return {
            "step": min(self._step + 1, of),
            "of": of,
            "progress": round(min(self._done_s / total, 1.0), 3),
            "eta_s": None if state in ("failed", "aborted") else round(eta_s, 0),
        }
