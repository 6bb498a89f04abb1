"""What is told of a run that a kill cut off: wherever it had changed the set-up, somebody has to look."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio

from benchd.devices import Ask
from benchd.files.loading import LoadedBench
from benchd.procedures.abandoned import LOOK, close_abandoned
from benchd.procedures.library import Library
from tests.fakes.bench import FakeBench, fake_bench, library, yes

TOGGLE = "{lens: L-0417, adapters: [ring-07], glass: [pane-25], distance_mm: 5000, f_number: 2, repeats: 1}"
STEPS = {
    "calls": f"steps: [call: {{procedure: glass_toggle, inputs: {TOGGLE}}}]",
    "nested": """
steps: [setup: {f_number: 5.6}, ask: {name: wait, kind: confirm, text: Ready?}]
finally:
  - repeat: 1
    steps: [setup: {f_number: null}]
""",
    "plate": "steps: [setup: {glass: []}, ask: {name: wait, kind: confirm, text: Plate taken out?}]",
    "own": """
steps: [setup: {f_number: 5.6, ring: hard_stop}, ask: {name: wait, kind: confirm, text: Ready?}]
finally: [setup: {f_number: null}]
""",
    "nothing": "steps: [ask: {name: wait, kind: confirm, text: Ready?}]",
}
MAY = "The set-up may still say what the run had stated."
AGAIN = "the set-up says again: f_number none. The set-up may still say what else the run had stated."


@pytest_asyncio.fixture
async def made(tmp_path: Path, wall: LoadedBench) -> AsyncIterator[FakeBench]:
    async with fake_bench(tmp_path, wall, procedures(tmp_path)) as made:
        await made.ready()
        yield made


def procedures(folder: Path) -> Library:
    return library(folder, STEPS)


@pytest.mark.parametrize(
    ("name", "question", "told"),
    [
        ("calls", "seated", MAY),
        ("calls", "glass_in", MAY),
        ("nested", "wait", MAY),
        ("plate", "wait", MAY),
        ("own", "wait", AGAIN),
        ("nothing", "wait", ""),
    ],
)
async def test_cut_off_while_it_asks(made: FakeBench, tmp_path: Path, name: str, question: str, told: str) -> None:
    """The iris of a called toggle stayed closed, and a plate stayed in that was never put in: told as 'info'."""

    def says(ask: Ask) -> object:
        return None if made.doc["ask"]["name"] == question else yes(ask)

    made.person.says = says
    run = await made.run(name)
    await made.until(lambda: made.state == "asking" and made.doc["ask"]["name"] == question)
    note = await close_abandoned(made.bench, procedures(tmp_path), await made.bench.store.run(run))
    await made.until(lambda: bool(made.events("abandoned")))
    (event,) = made.events("abandoned")
    assert (event["severity"], event["advice"]) == (("warning", LOOK) if told else ("info", ""))
    assert note.endswith(f"{told} {LOOK}" if told else "")
    assert event["text"].endswith(told)
