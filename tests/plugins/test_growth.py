"""What a package of somebody else's adds: built as a wheel, installed beside benchd, found by its entry point alone."""

from __future__ import annotations

import asyncio
import json
import math
import shutil
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from statistics import stdev
from typing import Any

import pytest
import pytest_asyncio

from benchd.assessments.finding import Finding
from benchd.cli import exits
from stack import Stack
from technician import Technician
from tests.plugins.conftest import benchd, installed
from tests.stack.described import Described, Message

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
ADAPTER = "ring-07"
PNG = b"\x89PNG\r\n\x1a\n"

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Where the package is installed; every process begun by these tests finds it there."""
    folder = tmp_path_factory.mktemp("packages")
    found = installed(HERE / "seat_study", folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(found))
        yield found


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(site: Path) -> AsyncIterator[Stack]:
    stack = Stack(seed=5, pace=5.0)
    folder = stack.bench_file.parent / "procedures"
    folder.mkdir(parents=True)
    for shipped in (ROOT / "configs" / "workshop").iterdir():
        copy = shutil.copytree if shipped.is_dir() else shutil.copy
        copy(shipped, stack.bench_file.parent / shipped.name)
    shutil.copy(HERE / "seat_study" / "seat_study.yaml", folder)
    async with stack:
        yield stack


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def finding(bench: Stack) -> dict[str, Any]:
    """The finding of a run of its procedure, put in force."""
    async with bench.client() as client:
        await client.command("take")
        technician = Technician(bench, client, lambda _: None)
        state = await technician.run("seat_study", adapter=ADAPTER)
        return await technician.finding("seat_study", str(state["run"]))


async def test_nothing_of_benchd_knows_it() -> None:
    known = [path for path in (ROOT / "benchd").rglob("*") if path.is_file() and b"seat_study" in path.read_bytes()]
    assert [path for path in known if "__pycache__" not in path.parts] == []


async def test_its_finding_goes_over_mqtt_as_any_other(finding: dict[str, Any]) -> None:
    assert Finding.from_json(finding).as_json() == finding
    read = [row[1] for row in finding["tables"]["seatings"]["rows"]]
    joint, reading = finding["values"]["joint"], finding["values"]["reading"]
    assert len(read) == 5
    assert joint["u"] == pytest.approx(stdev(read))
    assert reading["u"] == pytest.approx(stdev(read) / math.sqrt(5.0))
    assert {name: [line["term"] for line in budget] for name, budget in finding["budgets"].items()} == {
        "joint": ["seatings"], "reading": ["seatings"],
    }  # fmt: skip
    assert len(finding["curves"]["seatings"]["points"]) == 5


async def test_about_says_what_it_asks(bench: Stack, finding: dict[str, Any]) -> None:
    async with bench.client() as client:
        about = await client.kept("about")
    assert about["questions"]["seat_study"] == {
        "asks": "How alike do two parts seat?", "of": None, "calibrates": True,
        "values": {"joint": "A mated pair adds", "reading": "Mean reading"},
    }  # fmt: skip
    assert {"flange", "bench_zero"} <= set(about["questions"])


async def test_its_calibration_is_what_the_chain_counts_with(bench: Stack, finding: dict[str, Any]) -> None:
    async with bench.client() as client:
        setup = await client.kept("setup")
    (joints,) = [term for term in setup["chain"] if term["term"] == "joints"]
    assert joints["kind"] == "A"
    assert joints["dof"] == pytest.approx(4.0)
    assert joints["u_um"] == pytest.approx(finding["values"]["joint"]["u"])  # one pair: adapter on base
    shown = await benchd(bench, "show", "calibration", joints["source"])
    assert shown.returncode == exits.DONE, shown.stderr
    assert "joint" in shown.stdout
    assert finding["finding"] in shown.stdout


async def test_report_has_its_words_its_table_its_picture(bench: Stack, finding: dict[str, Any]) -> None:
    out = bench.bench_file.parent / "own.png"
    told = await benchd(bench, "report", finding["run"], "--out", str(out))
    assert told.returncode == exits.DONE, told.stderr
    assert "A mated pair adds" in told.stdout
    assert "Two parts seat alike to" in told.stdout
    assert "from the mean µm" in told.stdout
    assert "Uncertainty budget, a mated pair adds" in told.stdout
    assert "Uncertainty budget, mean reading" in told.stdout
    assert f"The picture of {finding['finding']} (seat chart) is in" in told.stdout
    assert size(out) == (500, 300), "its own picture of 5 by 3 inches"


async def test_without_the_package_its_findings_are_shown_all_the_same(bench: Stack, finding: dict[str, Any]) -> None:
    out = bench.bench_file.parent / "plain.png"
    told = await benchd(bench, "report", finding["run"], "--out", str(out), package=False)
    assert told.returncode == exits.DONE, told.stderr
    assert "Two parts" not in told.stdout
    assert "Reading" in told.stdout
    assert f"The picture of {finding['finding']} (seatings) is in" in told.stdout
    assert size(out)[0] == 1500, "the curve that the finding holds"


async def test_what_it_brings_is_described(bench: Stack, finding: dict[str, Any]) -> None:
    """Its messages are held against the AsyncAPI document that ships, which knows nothing of it."""
    async with bench.client() as client:
        told = {topic: await client.kept(topic) for topic in ("about", "setup", "finding/seat_study")}
    described = Described()
    name = str(told["about"]["bench"])
    for topic, doc in told.items():
        message = Message(f"benchd/{name}/{topic}", json.dumps(doc).encode(), 1)
        assert described.problem(message) is None, topic


@pytest.mark.parametrize("package", [True, False])
async def test_show_tells_its_finding_and_its_run(bench: Stack, finding: dict[str, Any], package: bool) -> None:
    shown = await benchd(bench, "show", "finding", finding["finding"], package=package)
    assert shown.returncode == exits.DONE, shown.stderr
    assert "Seat study of joint" in shown.stdout
    assert ("Two parts seat alike" in shown.stdout) is package
    run = await benchd(bench, "show", "run", finding["run"], package=package)
    assert run.returncode == exits.DONE, run.stderr
    assert ("a mated pair adds 0.0" if package else "joint 0.0") in run.stdout


async def test_check_knows_it_where_it_is_installed(bench: Stack) -> None:
    procedure = str(HERE / "seat_study" / "seat_study.yaml")
    known = await benchd(bench, "check", procedure, "--bench", str(bench.bench_file), f"adapter={ADAPTER}", "--json")
    assert known.returncode == exits.DONE, known.stdout + known.stderr
    assert "assess" in known.stdout
    unknown = await benchd(bench, "check", procedure, package=False)
    assert unknown.returncode == exits.REFUSED
    assert "steps[6].assess.name = 'seat_study'" in unknown.stdout
    assert "an assessment" in unknown.stdout


async def test_a_dry_run_foresees_it(bench: Stack, finding: dict[str, Any]) -> None:
    async with bench.client() as client:
        plan = await client.command("run", procedure="seat_study", inputs={"adapter": ADAPTER}, dry=True)
    assert plan["problems"] == []
    assert [entry["verb"] for entry in plan["entries"]][-3:] == ["assess", "ask", "accept"]


async def test_the_study_draws_its_strata(site: Path) -> None:
    study = [sys.executable, str(ROOT / "scripts" / "study.py"), "--quick", "--strata", "seat_study/eight seatings"]
    told = await asyncio.to_thread(subprocess.run, study, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr
    assert told.stdout.startswith("seat_study/eight seatings: 1000 cases, coverage 9")


def size(picture: Path) -> tuple[int, int]:
    """Width and height of a PNG, from its header."""
    head = picture.read_bytes()[:24]
    assert head.startswith(PNG)
    return int.from_bytes(head[16:20], "big"), int.from_bytes(head[20:24], "big")
