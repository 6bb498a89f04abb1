"""Findings after a restart: those of what still stands are told again, those of another lens or seat are not."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.kept_findings import republish_findings
from benchd.bench.notices import Notices
from benchd.devices.clock import Clock
from benchd.files.loading import LoadedBench, load_bench
from benchd.records.store import Store

WORKSHOP = Path(__file__).parents[2] / "configs" / "workshop" / "bench.yaml"


@dataclass
class Day:
    """A record and the set-up in force, from start to start."""

    loaded: LoadedBench
    store: Store
    keeper: CurrentSetup
    run: str

    async def found(self, assessment: str, lens: str | None) -> str:
        doc: dict[str, Any] = {
            "assessment": assessment, "run": self.run, "setup": self.keeper.document.rev, "lens": lens,
            "at": "2031-04-05T09:20:02Z", "version": "0.1.0", "measurand": {"arrangement": "wall"}, "absolute": False,
            "values": {"focus_error": {"value": 3.0, "unit": "um", "u": 4.0, "dof": 11.5, "k": 2.2, "U": 8.8}},
            "budgets": {"focus_error": [{"term": "sweep", "u": 4.0, "type": "A", "dof": 11.5, "source": self.run}]},
            "verdict": None, "advice": None,
            "readings": {"run": self.run, "indices": [0, 20]},
        }  # fmt: skip
        return await self.store.add_finding(doc)

    async def restarted(self) -> dict[str, str]:
        """What the next start tells, by topic."""
        notices = Notices()
        keeper = CurrentSetup(self.loaded, self.store, notices, Clock(), None)
        await keeper.load()
        await republish_findings(self.store, notices, keeper.document)
        return {topic: doc["finding"] for topic, doc in notices.snapshot().items() if topic.startswith("finding/")}


@pytest.fixture
async def day(tmp_path: Path) -> AsyncIterator[Day]:
    loaded, store = load_bench(WORKSHOP), await Store.open("sqlite:///bench.db", tmp_path, Clock())
    try:
        keeper = CurrentSetup(loaded, store, Notices(), Clock(), None)
        run = await store.add_run("flange_check", text_sha="9f", inputs={}, setup=1, lens=None, job=None, user="wall")
        await keeper.change({"adapters": ["ring-07"]})
        yield Day(loaded, store, keeper, run)
    finally:
        await store.close()


async def test_the_latest_of_each_kind_is_told_again_while_its_lens_stands(day: Day) -> None:
    """A display stayed empty after a restart although the record held what it had shown."""
    zero = await day.found("bench_zero", None)
    await day.keeper.change({"lens": "L-0417"})
    await day.found("flange", "L-0417")
    await day.keeper.change({"trim_um": 5.0})
    last = await day.found("flange", "L-0417")
    await day.keeper.change({"temperature_C": 21.0})
    assert await day.restarted() == {"finding/bench_zero": zero, "finding/flange": last}


@pytest.mark.parametrize("then", [["L-0418"], [None], ["L-0418", "L-0417"], [None, "L-0417"]])
async def test_what_was_cleared_with_its_lens_stays_so(day: Day, then: list[str | None]) -> None:
    """Also where the same lens was put back: it has another seat."""
    zero = await day.found("bench_zero", None)
    await day.keeper.change({"lens": "L-0417"})
    await day.found("flange", "L-0417")
    for lens in then:
        await day.keeper.change({"lens": lens})
    assert await day.restarted() == {"finding/bench_zero": zero}
    if then[-1] is not None:
        anew = await day.found("flange", then[-1])
        assert await day.restarted() == {"finding/bench_zero": zero, "finding/flange": anew}


async def test_a_lens_whose_record_has_gone_takes_its_findings_along(day: Day) -> None:
    """The set-up then begins empty: nothing that was found of a lens stands for it."""
    await day.keeper.change({"lens": "L-0417"})
    await day.found("flange", "L-0417")
    assert isinstance(day.loaded.records.lenses, dict)
    day.loaded.records.lenses.pop("L-0417")
    assert await day.restarted() == {}
