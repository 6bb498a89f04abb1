"""Records edited at random moments while lenses are checked; `scripts/edits` does a thousand of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench.records_in_force import RecordsInForce
from edits_mutants import OF_RECORDS
from edits_session import Outcome, edited
from soak_mutants import mutants
from tests.virtual.benches import PACE, VirtualBench

SEED, COUNT = 1, 60


async def outcome_of(folder: Path, count: int = COUNT) -> Outcome:
    async with VirtualBench(folder, seed=SEED, pace=PACE, curves=True) as bench:
        return await edited(bench, count, SEED)


async def test_every_finding_is_of_one_state_that_was_in_force(tmp_path: Path) -> None:
    found = await outcome_of(tmp_path)
    assert found.broken is None
    assert found.edits.total() == COUNT
    assert min(found.counts[name] for name in ("findings judged", "changes in force", "looks at what is in force")) > 5


async def test_a_record_that_changes_under_a_run_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the test above could not fail; the other guards are taken away by `scripts/edits --mutants`."""
    monkeypatch.setattr(RecordsInForce, "_require_free", lambda *_: None)
    found = await outcome_of(tmp_path)
    assert found.broken is not None
    assert "under run" in found.broken


def test_the_mutants_fit_the_code() -> None:
    assert len(mutants(OF_RECORDS)) == len({mutant.name for mutant in mutants(OF_RECORDS)}) > 5
