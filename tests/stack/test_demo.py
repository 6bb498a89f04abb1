"""The demo as a program reads it: one document, from an empty record to a lens; and held against its own truth."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from stack import CONFIGS
from tests.stack.conftest import PACE

pytestmark = pytest.mark.stack

DEMO = CONFIGS.parent / "scripts" / "demo"


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


async def test_document_of_the_demo(tmp_path: Path) -> None:
    demo = await by_the_demo(103, tmp_path)
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
    error = flange["values"]["focus_error"]
    # Beyond twice the interval an honest bench is once in 5,000 times.
    assert abs(error["value"] - demo["truth"]["focus_error_um"]) <= 2.0 * error["U"]
