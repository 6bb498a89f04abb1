"""What an assessment will lack at the end of a run is refused before it begins, in the dry run as well."""

from __future__ import annotations

import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.errors import Refused
from benchd.files.loading import load_bench
from tests.bench.datum.wall_chain import CONFIGS
from tests.fakes.bench import FakeBench, fake_bench, library, yes

WALLS: dict[str, Any] = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "repeats": 1}
M = {"value": 0.0101, "u": 0.00002}


@pytest_asyncio.fixture
async def made(tmp_path: Path) -> AsyncIterator[FakeBench]:
    """By a copy of the files, as shims are written into the lens's record; without marks on the wall."""
    shutil.copytree(CONFIGS, tmp_path / "configs")
    own = load_bench(tmp_path / "configs" / "workshop" / "bench.yaml")
    async with fake_bench(tmp_path, own, library(tmp_path, {})) as made:
        await made.ready()
        made.person.says = yes
        yield made


async def refused(made: FakeBench, name: str, inputs: dict[str, Any]) -> str:
    moved, asked = len(made.moves_um), len(made.person.asked)
    plan = await made.runner.dry_run(name, inputs)
    with pytest.raises(Refused) as no:
        await made.run(name, **inputs)
    assert (len(made.moves_um), len(made.person.asked)) == (moved, asked)
    problem: str
    (problem,) = [text for text in plan["problems"] if text.startswith("assess")]
    assert problem in no.value.text
    return problem


async def test_a_proof_without_an_earlier_finding_is_none(made: FakeBench) -> None:
    """It was refused after the shims were written and the lens was measured."""
    text = await refused(made, "shim_proof", {"lens": "L-0417", "shims_um": [10.0]})
    assert "no earlier finding 'flange' of lens L-0417" in text
    assert await made.ended(await made.run("next_lens", most=1)) == "done"
    assert await made.ended(await made.run("shim_proof", lens="L-0417", shims_um=[10.0], most=1)) == "done"


@pytest.mark.parametrize("told", [{}, {"m_near": M}, {"m_far": M}])
async def test_two_walls_without_m_at_both_are_not_begun(made: FakeBench, told: dict[str, Any]) -> None:
    text = await refused(made, "two_walls", {**WALLS, **told})
    assert "m is not stated at all of them" in text


async def test_with_m_at_both_they_are(made: FakeBench) -> None:
    plan = await made.runner.dry_run("two_walls", {**WALLS, "m_near": M, "m_far": M})
    assert plan["problems"] == []
