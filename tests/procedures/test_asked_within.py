"""A typed number has a range: what lies beside it is refused with the reason, and asked again."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from pydantic import ValidationError

from benchd.errors import Refused
from benchd.files.loading import LoadedBench
from benchd.procedures.language import Procedure
from tests.fakes.bench import FakeBench, fake_bench, library

RANGED = """
inputs:
  least: {type: number, default: 2.0}
  most: {type: number, default: null}
steps:
  - ask: {name: length, kind: number, unit: mm, text: "How long?", min: "${least}", max: "${most}", save: long}
  - ask: {name: far, kind: number, unit: mm, text: "How far?", min: 1000, max: 100000}
"""


@pytest_asyncio.fixture
async def made(tmp_path: Path, wall: LoadedBench) -> AsyncIterator[FakeBench]:
    async with fake_bench(tmp_path, wall, library(tmp_path, {"ranged": RANGED})) as made:
        await made.ready()
        yield made


async def test_a_number_beside_its_range_is_refused_and_the_question_stays_open(made: FakeBench) -> None:
    """5 m typed in cm were taken as half a metre."""
    run = await made.run("ranged")
    await made.said("asking")
    asked: Any = made.doc["ask"]
    assert (asked["text"], asked["min"], asked["max"]) == ("How long? [from 2 mm]", 2.0, None)
    with pytest.raises(Refused, match=r"'1\.9' is no answer") as refused:
        made.answer(1.9)
    assert refused.value.advice == "Give a number from 2 mm."
    made.answer(2.0)
    await made.until(lambda: made.doc["ask"] is not None and made.doc["ask"]["name"] == "far")
    asked = made.doc["ask"]
    assert asked["text"] == "How far? [from 1000 to 100000 mm]"
    for typed in (500.0, 100000.5):
        with pytest.raises(Refused) as refused:
            made.answer(typed)
        assert refused.value.advice == "Give a number from 1000 to 100000 mm."
        assert made.doc["ask"] == asked
    made.answer(5000.0)
    assert await made.ended(run) == "done"


async def test_the_dry_run_says_the_range_and_refuses_one_that_nothing_can_lie_in(made: FakeBench) -> None:
    plan = await made.runner.dry_run("ranged", {})
    assert plan["asks"] == ["How long? [from 2 mm]", "How far? [from 1000 to 100000 mm]"]
    slip = {"least": 5.0, "most": 4.0}
    assert (await made.runner.dry_run("ranged", slip))["problems"] == [
        "ask: 'How long?' would take no number: its least is 5, its most 4."
    ]
    with pytest.raises(Refused, match="would take no number"):
        await made.run("ranged", **slip)


@pytest.mark.parametrize("typed", [250.0, 250000.0])
async def test_the_wall_is_not_taken_in_cm_nor_in_um(made: FakeBench, typed: float) -> None:
    m = {"value": 0.0101, "u": 0.00002}
    await made.run("two_walls", lens="L-0417", adapters=["ring-07"], glass=["pane-25"], m_near=m, m_far=m)
    await made.said("asking")
    with pytest.raises(Refused, match="is no answer"):
        made.answer(typed)
    made.answer(2500.0)


@pytest.mark.parametrize(
    ("ask", "expected"),
    [
        ({"kind": "number", "text": "x", "min": 5.0, "max": 4.0}, "at least 'min'"),
        ({"kind": "text", "text": "x", "min": 5.0}, "'min' and 'max' belong to a number"),
    ],
)
def test_a_range_that_makes_no_sense_is_refused_where_it_is_read(ask: dict[str, Any], expected: str) -> None:
    with pytest.raises(ValidationError, match=expected):
        Procedure.from_doc({"procedure": "asks", "title": "Asks", "steps": [{"ask": ask}]})
