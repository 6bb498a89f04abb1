"""Benches drawn anew, calibrated from an empty record and put to a lens, held against what their worlds hide.

The stated 95 % intervals hold the truth in 19 of 20 cases: of three, two or more lie inside but for once in 140 times,
and none is as far off as twice the interval but for once in 5,000. That the intervals are neither too wide nor too
narrow is the study's to show; here the whole stack is in between. Seeds are fixed once, not chosen.
"""

from __future__ import annotations

import asyncio
import json
import math
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from stack import CONFIGS, Stack
from tests.stack.conftest import PACE, person

pytestmark = pytest.mark.stack

DEMO = CONFIGS.parent / "scripts" / "demo"
SEEDS = (101, 102, 103)
LENS, ADAPTERS, GLASS = "L-0417", ["ring-07"], ["pane-25"]


async def by_hand(seed: int) -> dict[str, Any]:
    """What the demo does, done by the tests' own client."""
    async with Stack(seed=seed, pace=PACE) as stack:
        async with person(stack) as (client, technician):
            await technician.calibrate(ADAPTERS)
            finding = await technician.check(LENS, ADAPTERS, GLASS)
            setup = await client.kept("setup")
        truth = await stack.truth()
    return {"findings": [finding], "chain": setup["chain"], "truth": truth}


async def by_the_demo(seed: int, folder: Path) -> dict[str, Any]:
    """`scripts/demo --once --json`: standard output is one JSON document and nothing else."""
    process = await asyncio.create_subprocess_exec(
        DEMO, "--once", "--json", "--pace", str(PACE), "--seed", str(seed), "--plot", folder / "curve.png",
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    out, said = await process.communicate()
    assert process.returncode == 0, said.decode()
    assert (folder / "curve.png").read_bytes().startswith(b"\x89PNG")
    assert b"Focus error" in said, "the table is for the person, beside the document"
    document: dict[str, Any] = json.loads(out)
    return document


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """The document of each seed; the last one is the demo's own."""

    async def all_at_once() -> list[dict[str, Any]]:
        folder = tmp_path_factory.mktemp("demo")
        return list(await asyncio.gather(*map(by_hand, SEEDS[:-1]), by_the_demo(SEEDS[-1], folder)))

    return asyncio.run(all_at_once())


def test_intervals_hold_the_truth(documents: list[dict[str, Any]]) -> None:
    off = []
    for document in documents:
        error = document["findings"][-1]["values"]["focus_error"]
        off.append((error["value"] - document["truth"]["focus_error_um"], error["u"], error["U"]))
    assert all(abs(by) <= 2.0 * U for by, _, U in off), off
    assert sum(abs(by) <= U for by, _, U in off) >= 2, off
    rms = math.sqrt(sum((by / u) ** 2 for by, u, _ in off) / len(off))
    # Three squares of a standard normal deviate lie in here but for twice in a thousand.
    low, high = (math.sqrt(stats.chi2.ppf(p, len(off)) / len(off)) for p in (0.001, 0.999))
    assert low <= rms <= high, off


def test_lenses_are_drawn_anew(documents: list[dict[str, Any]]) -> None:
    assert len({document["truth"]["focus_error_um"] for document in documents}) == len(SEEDS)


def test_document_of_the_demo(documents: list[dict[str, Any]]) -> None:
    demo = documents[-1]
    assert set(demo) == {"findings", "chain", "truth"}
    assert set(demo["truth"]) == {"focus_error_um"}
    assert [finding["assessment"] for finding in demo["findings"]] == ["bench_zero", "adapter_length", "flange"]
    flange = demo["findings"][-1]
    assert flange["absolute"] is True
    assert flange["verdict"]["is"] in ("pass", "fail", "undecided")
    assert flange["calibrations"] == ["cal-1", "cal-2"]
    chain = {term["term"]: term for term in demo["chain"]}
    assert chain["carriage"]["value_um"] == pytest.approx(
        sum(term["value_um"] for name, term in chain.items() if name != "carriage"), abs=0.01
    )
    assert chain["base"]["source"] == "cal-1"
    assert chain["adapter ring-07"]["source"] == "cal-2"
    assert chain["carriage"]["u_um"] < flange["values"]["focus_error"]["U"]
