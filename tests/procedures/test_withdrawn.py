"""A calibration that is taken back: by whom, when and why, and what may not be."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.cli.show import _calibration
from benchd.errors import Refused
from benchd.files.loading import LoadedBench
from benchd.records.reader import Reader
from benchd.verbs.table import VERBS
from tests.fakes.bench import USER, FakeBench, fake_bench, library, yes
from tests.one_calibration import add_calibration

STEPS = {
    "tube": "steps: [withdraw: {artefact: ring-07}]",
    "slip": "steps: [withdraw: {artefact: ring-70}]",
    "waits": "steps: [ask: {kind: confirm, text: Ready?}]",
}


@pytest_asyncio.fixture
async def made(tmp_path: Path, wall: LoadedBench) -> AsyncIterator[FakeBench]:
    """Base and adapter are calibrated."""
    async with fake_bench(tmp_path, wall, library(tmp_path, STEPS)) as made:
        for artefact, value in (("bench-zero", 24012.4), ("ring-07", 18003.2)):
            await add_calibration(
                made.bench.store, artefact, value, 0.8, at_C=20.0, dof=8.0, finding=None, valid_until=None, by="rail"
            )
        await made.bench.setup.rebuild_chain()
        await made.ready()
        yield made


async def test_it_counts_no_more_and_the_record_says_who_when_and_why(made: FakeBench, tmp_path: Path) -> None:
    assert VERBS["withdraw"].role == "keep"
    assert made.bench.setup.chain.absolute
    answer = await made.command("withdraw", {"artefact": "bench-zero", "why": "The ring had been dropped."})
    assert answer == {"calibration": "cal-1"}
    assert not made.bench.setup.chain.absolute
    assert made.bench.setup.document.stale
    await made.until(lambda: bool(made.events("withdrawn")))
    (told,) = made.events("withdrawn")
    assert (
        told["text"] == f"The calibration of bench-zero (cal-1) counts no more, by {USER}: The ring had been dropped."
    )
    row = await made.bench.store.calibration("cal-3")
    assert (row.value, row.by, row.why) == (None, USER, "The ring had been dropped.")
    assert row.at == told["t"]
    with Reader.open("sqlite:///bench.db", tmp_path) as reader:
        shown, _ = _calibration(reader, "cal-3")
    assert shown["why"] == "The ring had been dropped."


@pytest.mark.parametrize(
    ("artefact", "advice"),
    [
        ("ring-70", "Did you mean 'ring-07'? In force: bench-zero, ring-07."),
        ("glass.pane-25", "In force: bench-zero, ring-07."),
    ],
)
async def test_what_has_none_in_force_is_refused_with_those_that_have(
    made: FakeBench, artefact: str, advice: str
) -> None:
    with pytest.raises(Refused, match=f"No calibration of '{artefact}' is in force.") as refused:
        await made.command("withdraw", {"artefact": artefact, "why": "wrong"})
    assert refused.value.advice == advice
    assert refused.value.data["in_force"] == ["bench-zero", "ring-07"]


async def test_not_under_a_run(made: FakeBench) -> None:
    await made.run("waits")
    await made.said("asking")
    with pytest.raises(Refused, match="run r-0001") as refused:
        await made.command("withdraw", {"artefact": "ring-07", "why": "wrong"})
    assert refused.value.code == "busy"


async def test_no_run_begins_between_the_look_at_the_record_and_the_change_of_the_chain(made: FakeBench) -> None:
    rev = made.bench.setup.document.rev
    command = asyncio.create_task(made.command("withdraw", {"artefact": "ring-07", "why": "wrong"}))
    await asyncio.sleep(0)
    while not command.done():
        with pytest.raises(Refused, match="busy with a calibration that is withdrawn"):
            await made.run("waits")
        await asyncio.sleep(0)
    await command
    assert made.bench.setup.document.rev == rev + 1
    await made.run("waits")


async def test_a_step_says_which_run_did_and_takes_no_name_that_means_nothing(made: FakeBench) -> None:
    """A mistyped artefact went through as 'nothing to do', and what was meant stayed in force."""
    made.person.says = yes
    plan: dict[str, Any] = await made.runner.dry_run("slip", {})
    assert any("'ring-70' is nothing that can be calibrated on this bench." in problem for problem in plan["problems"])
    with pytest.raises(Refused, match="ring-70"):
        await made.run("slip")
    assert await made.ended(await made.run("tube")) == "done"
    assert (await made.bench.store.calibration("cal-3")).why == "tube (r-0001) changes it"
    # A second time there is nothing to do: what a procedure moves need not have been calibrated.
    assert await made.ended(await made.run("tube")) == "done"
