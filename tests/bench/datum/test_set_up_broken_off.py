"""A change of the set-up that is broken off while the record writes it: the record has it, so the bench has it too."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.notices import Notices
from benchd.devices.clock import Clock
from benchd.files.loading import load_bench
from benchd.records.store import Store

WORKSHOP = Path(__file__).parents[3] / "configs" / "workshop" / "bench.yaml"


@pytest.fixture
async def keeper(tmp_path: Path) -> AsyncIterator[CurrentSetup]:
    clock = Clock()
    store = await Store.open("sqlite:///bench.db", tmp_path, clock)
    try:
        yield CurrentSetup(load_bench(WORKSHOP), store, Notices(), clock, None)
    finally:
        await store.close()


async def test_the_next_change_is_taken(keeper: CurrentSetup) -> None:
    change = asyncio.create_task(keeper.change({"temperature_C": 21.0}))
    await asyncio.sleep(0)  # the row is handed in, which nobody can call off
    change.cancel()
    with pytest.raises(asyncio.CancelledError):
        await change
    assert (keeper.document.rev, keeper.document.temperature_C) == (1, 21.0)
    await keeper.change({"trim_um": 5.0})
    assert (keeper.document.rev, keeper.document.temperature_C, keeper.document.trim_um) == (2, 21.0, 5.0)
