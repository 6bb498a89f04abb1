"""Progress and remaining time of a run, from the expected durations of its steps and the clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.devices import Clock
from benchd.procedures.plan import Plan

Expected = Sequence[Sequence[tuple[str, float]]]
"""For each top-level step its entries, loops unrolled: verb and expected duration (s)."""

LOOK_AT_MOST = 0.9
"""Largest share of a step that is assumed done before it first reports progress."""


def expected(plan: Plan) -> Expected:
    """Expected durations of a plan, without conditional entries and without a person's time."""
    return [
        [(entry.verb, entry.seconds) for entry in plan.entries if entry.step == index and not entry.when]
        for index in range(plan.steps)
    ]


class Progress:
    """Progress over the steps of a procedure, weighted by expected duration (s). It never decreases."""

    def __init__(self, clock: Clock, steps: Expected) -> None:
        self._clock = clock
        self._steps = steps
        self._seconds = [max(sum(seconds for _, seconds in entries), 0.1) for entries in steps]
        self._step = 0
        self._next = 0  # index of the first entry of the top-level step that is not done yet
        self._done_s = 0.0
        self._entry_began_s = 0.0
        self._look_s: float | None = None
        self._waited_s = 0.0
        self._waiting_since: float | None = None
        self._began = clock.monotonic()

    def at(self, top: int | None, verb: str, share: float) -> None:
        """A step with this verb is under way or, with a `share` of 1, done; `top` is its index if it is top-level.

        The step is taken to be the next expected entry with that verb; a step that was not expected, such as one of a
        branch, adds nothing.
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
        """Seconds done of an entry: the time before its first report of progress (the coarse scan) counts as done."""
        if share == 0.0:
            return 0.0
        if self._look_s is None:
            passed_s = self._worked_s() - self._entry_began_s
            self._look_s = min(passed_s / self._pace(self._entry_began_s), LOOK_AT_MOST * seconds)
        return self._look_s + share * (seconds - self._look_s)

    def waiting(self, waits: bool) -> None:
        """The run waits for a person, or no longer does; waiting time is left out of all durations."""
        now = self._clock.monotonic()
        if waits and self._waiting_since is None:
            self._waiting_since = now
        elif not waits and self._waiting_since is not None:
            self._waited_s += now - self._waiting_since
            self._waiting_since = None

    def _pace(self, worked_s: float) -> float:
        """Ratio of actual to expected duration, 1 until at least 3 s are done."""
        return min(max(worked_s / self._done_s, 0.2), 5.0) if self._done_s > 3.0 else 1.0

    def _worked_s(self) -> float:
        now = self._clock.monotonic()
        waits_s = 0.0 if self._waiting_since is None else now - self._waiting_since
        return now - self._began - self._waited_s - waits_s

    def as_json(self, state: str) -> Mapping[str, Any]:
        """step (from 1), of, progress (0 to 1) and eta_s (None if there is none), in this state of the run."""
        count = len(self._steps)
        total = sum(self._seconds)
        if not count:
            return {"step": 0, "of": 0, "progress": 0.0, "eta_s": None}
        if state == "done":
            return {"step": count, "of": count, "progress": 1.0, "eta_s": None}
        eta_s = max(total - self._done_s, 0.0) * self._pace(self._worked_s())
        return {
            "step": min(self._step + 1, count),
            "of": count,
            "progress": round(min(self._done_s / total, 1.0), 3),
            "eta_s": None if state in ("failed", "aborted") else round(eta_s, 0),
        }
