"""Histories of use and misuse, and those that broke a rule once: every rule holds in each."""

from __future__ import annotations

from collections import Counter
from functools import cache
from pathlib import Path

import pytest

from tests.virtual.drawn import drawn
from tests.virtual.play import Outcome, play
from tests.virtual.schedule import kept

SCHEDULES = sorted((Path(__file__).parent / "schedules").glob("*.txt"))
SEEDS = range(1, 9)


def told(outcome: Outcome) -> str:
    return "\n".join(map(str, outcome.broken))


@cache
def history(seed: int) -> Outcome:
    return play(drawn(seed), seed, curves=seed % 2 == 0)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_rule_holds_in_a_history_drawn_from_one_number(seed: int) -> None:
    assert not history(seed).broken, told(history(seed))


def test_in_these_histories_something_happens() -> None:
    """Else every rule would hold."""
    counts: Counter[str] = Counter()
    for seed in SEEDS:
        counts.update(history(seed).counts)
    least = {"commands": 200, "faults": 15, "runs": 8, "findings": 2, "step stop": 5, "step pause": 2, "step kill": 1}
    assert {what: counts[what] for what, number in least.items() if counts[what] < number} == {}


@pytest.mark.parametrize("schedule", SCHEDULES, ids=lambda path: path.stem)
def test_every_rule_holds_where_one_was_broken_once(schedule: Path) -> None:
    found = kept(schedule.read_text(encoding="utf-8"))
    outcome = play(found.steps, found.seed, curves=found.curves)
    assert not outcome.broken, told(outcome)
