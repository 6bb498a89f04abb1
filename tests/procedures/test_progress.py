"""How far a run is, told while the shipped procedures are gone through as fast or as slowly as their plans expect."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from benchd.devices.clock import Clock
from benchd.procedures.progress import Progress, expected
from benchd.verbs.entry import Entry
from tests.procedures.test_dry_run import LENS, plan

PERSON_S = 40.0
PLANS: dict[str, dict[str, Any]] = {
    "bench_zero": {"reference": "collar-45"},
    "adapter_length": {"adapter": "ring-07"},
    "flange_check": LENS,
    "glass_toggle": LENS,
}


class Set(Clock):
    """A clock that goes on when it is told to."""

    now = 100.0

    def monotonic(self) -> float:
        return self.now


def gone_through(name: str, pace: float) -> Iterator[tuple[float, float, Mapping[str, Any]]]:
    """Seconds worked, seconds there are in all, and what is told after each step and share of a sweep."""
    found = plan(name, **PLANS[name])
    clock = Set()
    progress = Progress(clock, expected(found))
    happens = [entry for entry in found.entries if entry.step is not None and not entry.when]
    total, worked, top = pace * found.seconds, 0.0, None
    for index, entry in enumerate(happens):
        if entry.step != top:
            top = entry.step
            progress.at(top, "repeat" if sum(one.step == top for one in happens) > 1 else entry.verb, 0.0)
        progress.at(None, entry.verb, 0.0)
        if entry.verb == "ask":
            progress.waiting(True)
            clock.now += PERSON_S
            progress.waiting(False)
        for seconds, share in shares(entry):
            clock.now += pace * seconds
            worked += pace * seconds
            if share is None:
                continue
            progress.at(None, entry.verb, share)
            yield worked, total, progress.as_json("running")
        if index + 1 == len(happens) or happens[index + 1].step != top:
            progress.at(top, entry.verb, 1.0)


def shares(entry: Entry) -> list[tuple[float, float | None]]:
    """What passes, and the share told then: a sweep tells of nothing while it looks, 2 s here, then of each reading."""
    if entry.verb != "sweep":
        return [(entry.seconds, 1.0)]
    return [(2.0, None), *(((entry.seconds - 2.0) / 50, (i + 1) / 50) for i in range(50))]


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("pace", [0.5, 1.0, 2.0])
def test_the_time_to_go_is_what_is_left(name: str, pace: float) -> None:
    """Once an eighth is done; the person's time, 40 s a question, is nobody's."""
    seen = 0
    for worked, total, told in gone_through(name, pace):
        if worked > total / 8:
            seen += 1
            assert told["eta_s"] == pytest.approx(total - worked, abs=max(2.1 * pace, 0.2 * total)), told
    assert seen > 5


@pytest.mark.parametrize("name", PLANS)
def test_progress_goes_on_with_every_step_and_never_back(name: str) -> None:
    told = [(worked / total, doc["progress"]) for worked, total, doc in gone_through(name, 1.0)]
    progress = [done for _, done in told]
    assert progress == sorted(progress)
    assert max(abs(done - real) for real, done in told) < 0.12, "no step of it stands still"


def test_a_sweep_that_is_begun_again_does_not_take_progress_back() -> None:
    progress = Progress(Set(), [[("sweep", 20.0)]])
    progress.at(0, "sweep", 0.0)
    progress.at(None, "sweep", 0.6)
    progress.at(None, "sweep", 0.1)
    assert progress.as_json("running")["progress"] == 0.6


def test_a_branch_that_nobody_expected_adds_nothing_and_takes_nothing() -> None:
    progress = Progress(Set(), [[("move", 4.0)], [], [("assess", 1.0)]])
    for top, verb in enumerate(("move", "if", "assess")):
        progress.at(top, verb, 0.0)
        if verb == "if":
            for share in (0.0, 0.5, 1.0):
                progress.at(None, "sweep", share)
            assert progress.as_json("running")["progress"] == pytest.approx(4.0 / 5.1, abs=1e-3)
        progress.at(top, verb, 1.0)
    assert progress.as_json("running")["progress"] == 1.0
