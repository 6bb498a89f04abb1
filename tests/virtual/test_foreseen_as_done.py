"""The shipped procedures and drawn ones, foreseen and then run; `scripts/foreseen` does so on a bench of processes."""

from __future__ import annotations

from pathlib import Path

from foreseen import all_tried, drawn, files_of
from tests.virtual.benches import VirtualBench


async def test_what_was_foreseen_is_what_happens(tmp_path: Path) -> None:
    """The dry run was an interpreter of its own, and wrong in 7 of 8 probes. Here their times are held as well."""
    docs = drawn(4, 1)
    async with VirtualBench(tmp_path, files=files_of(docs), curves=True) as bench, bench.client("rail") as client:
        assert await all_tried(bench, client, docs, pace=1.0) == {}
