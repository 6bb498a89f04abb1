"""Histories of use and misuse, and those that broke a rule once: every rule holds in each."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.virtual.drawn import drawn
from tests.virtual.play import Outcome, play
from tests.virtual.schedule import read

SCHEDULES = sorted((Path(__file__).parent / "schedules").glob("*.txt"))
SEEDS = range(1, 9)


def told(outcome: Outcome) -> str:
    return "\n".join(map(str, outcome.broken))


@pytest.mark.parametrize("seed", SEEDS)
def test_every_rule_holds_in_a_history_drawn_from_one_number(seed: int) -> None:
    outcome = play(drawn(seed), seed)
    assert not outcome.broken, told(outcome)
    assert outcome.counts["commands"] > 10


@pytest.mark.parametrize("schedule", SCHEDULES, ids=lambda path: path.stem)
def test_every_rule_holds_where_one_was_broken_once(schedule: Path) -> None:
    text = schedule.read_text(encoding="utf-8")
    outcome = play(read(text), int(text.split()[2].rstrip(":")))
    assert not outcome.broken, told(outcome)
