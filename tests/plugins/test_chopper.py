"""A detector and an arrangement of somebody else's: built as a wheel, installed beside benchd, found by entry point.

A photodiode behind a chopper grating stands on the carriage; its far end answers over TCP by optics of its own. The
wall is seen in a mirror, 2 m before it.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.cli import exits
from benchd.client import BenchClient
from benchd.errors import BenchdError
from stack import Stack
from tests.plugins.conftest import benchd, installed
from tests.stack.described import Described, Message

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
FITTED: dict[str, Any] = {
    "lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity", "distance_mm": 3000.0,
    "m": {"value": 0.01, "u": 0.0001},
}  # fmt: skip
LP_MM = 30.0

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]


@pytest.fixture(scope="module", autouse=True)
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Where the package is installed; every process begun by these tests finds it there."""
    found = installed(HERE / "chopper", tmp_path_factory.mktemp("packages"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(found))
        yield found


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(site: Path) -> AsyncIterator[Stack]:
    diode: list[subprocess.Popen[str]] = []

    def with_diode(doc: Any) -> None:
        far_end = [sys.executable, str(HERE / "chopper" / "photodiode.py"), str(stack.run_folder / "hand.sock")]
        diode.append(subprocess.Popen([*far_end, str(LP_MM), "1"], stdout=subprocess.PIPE, text=True))
        assert diode[0].stdout is not None
        port = int(diode[0].stdout.readline())
        doc["links"]["diode_line"] = {"kind": "tcp", "url": f"socket://127.0.0.1:{port}"}
        doc["devices"]["diode"] = {
            "driver": "line", "link": "diode_line", "ask": "A?", "pattern": "^A=([-+0-9.]+)$", "quantity": "swing",
            "unit": "V", "timeout_s": 5.0,
        }  # fmt: skip
        doc["arrangement"] = {"kind": "folded", "leg_mm": 2000.0, "u_leg_mm": 2.0}
        doc["roles"]["detector"] = "diode"
        doc["detectors"] = {"chopper": {"lp_mm": LP_MM, "u_lp_mm": 0.01, "readings": 8}}

    stack = Stack(seed=5, pace=5.0, change=with_diode)
    try:
        async with stack:
            yield stack
    finally:
        for process in diode:
            process.kill()
            process.communicate()


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def client(bench: Stack) -> AsyncIterator[BenchClient]:
    """In control of a bench on which the lens stands."""
    for what, one in (("adapter", "ring-07"), ("glass", "pane-25"), ("lens", "L-0417")):
        if one not in json.dumps(bench.ask_world({"do": "look"})):
            bench.hand("fit", what, one)
    async with bench.client() as client:
        await client.command("take")
        await done(client, "home", axes=["carriage"])
        await client.command("setup", set=FITTED)
        await client.command("light", level=0.5)
        yield client


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def swept(client: BenchClient) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The finding of a sweep, and the readings as they were told."""
    await done(client, "nominal")
    readings: list[dict[str, Any]] = []

    async def listen() -> None:
        async for _, doc in client.watch("reading"):
            if doc is not None:
                readings.append(dict(doc))

    listening = asyncio.create_task(listen())
    try:
        run = (await client.command("sweep", merit="chopper", repeats=2))["run"]
        async with asyncio.timeout(120.0):
            async for _, state in client.watch("procedure"):
                if state is not None and state["run"] == run and state["state"] in ("done", "failed", "aborted"):
                    assert state["state"] == "done", state
                    break
            async for _, finding in client.watch("finding/flange"):
                if finding is not None and finding["run"] == run:
                    return dict(finding), readings
    finally:
        listening.cancel()
    raise AssertionError("a watch does not end by itself")


async def done(client: BenchClient, verb: str, **args: Any) -> None:
    """Ordered, and waited for until it is done."""
    events = client.events()
    await client.command(verb, **args)
    async with asyncio.timeout(60.0):
        async for _, event in events:
            if event["code"] == "done" and event["data"].get("verb") == verb:
                return


async def test_nothing_of_benchd_knows_them() -> None:
    known = [
        path
        for path in (ROOT / "benchd").rglob("*.*")
        if "__pycache__" not in path.parts and any(name in path.read_bytes() for name in (b"chopper", b'"folded"'))
    ]
    assert known == []


async def test_its_peak_is_where_the_image_is(
    bench: Stack, client: BenchClient, swept: tuple[dict[str, Any], list[dict[str, Any]]]
) -> None:
    finding, readings = swept
    assert (finding["measurand"]["merit"], finding["measurand"]["lp_mm"]) == ("chopper", LP_MM)
    error = finding["values"]["focus_error"]["value"]
    (sweep,) = [line for line in finding["budgets"]["focus_error"] if line["term"] == "sweep"]
    beside = [one["carriage_um"] - one["offset_um"] for one in readings]
    await done(client, "move", carriage_um=error + sum(beside) / len(beside))
    now = bench.ask_world({"do": "truth", "lp_mm": LP_MM})["truth"]["now"]
    # The carriage stands within its tolerance of 1 um, by a scale whose error over a period is 0.15 um.
    assert abs(now["depth_um"] - now["peak_depth_um"]) <= 3.0 * sweep["u"] + 1.3


async def test_its_readings_are_kept_and_told_under_its_name(
    swept: tuple[dict[str, Any], list[dict[str, Any]]],
) -> None:
    finding, readings = swept
    assert {(one["channel"], one["unit"], one["device"]) for one in readings} == {("chopper.swing", "V", "detector")}
    assert {one["quality"] for one in readings} == {"good"}
    first, last = finding["readings"]["indices"]
    assert [one["idx"] for one in readings] == list(range(first, last + 1))
    # The noise of one reading is 4 mV: of the mean of eight, pooled over the look, 1.4 mV.
    assert {round(one["u"] / (0.004 / 8**0.5), 0) for one in readings} == {1.0}


async def test_about_says_what_it_measures(client: BenchClient) -> None:
    about = await client.kept("about")
    assert about["detectors"]["chopper"] == {
        "works_on": "meter", "quantity": "Swing behind the chopper", "unit": "V", "channels": {"swing": "photodiode"},
    }  # fmt: skip
    assert about["detectors"]["edge"]["works_on"] == "camera"


async def test_auto_is_the_one_that_works_here(client: BenchClient) -> None:
    inputs = {key: value for key, value in FITTED.items() if key != "ring"}
    plan = await client.command("run", procedure="flange_check", inputs=inputs, dry=True)
    assert plan["problems"] == []
    (sweep, *_) = [entry for entry in plan["entries"] if entry["verb"] == "sweep"]
    assert "merit auto" in sweep["text"]


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        ({"merit": "edge"}, "bad_request", "works on a camera"),
        ({"merit": "star"}, "bad_request", "merit: one of 'auto', 'edge', 'meter', 'chopper'"),
        ({"merit": "chopper", "lp_mm": 20.0}, "bad_request", "The chopper has 30 lp/mm and no other"),
        ({"lp_mm": 20.0}, "bad_request", "The chopper has 30 lp/mm and no other"),
    ],
)
async def test_what_it_cannot_do_is_refused(client: BenchClient, args: dict[str, Any], code: str, says: str) -> None:
    with pytest.raises(BenchdError, match=says) as caught:
        await client.command("sweep", **args)
    assert caught.value.code == code


async def test_report_and_show_draw_and_tell_it(
    bench: Stack, swept: tuple[dict[str, Any], list[dict[str, Any]]]
) -> None:
    finding, _ = swept
    for package in (True, False):
        out = bench.bench_file.parent / f"drawn-{package}.png"
        told = await benchd(bench, "report", finding["run"], "--out", str(out), package=package)
        if package:
            assert told.returncode == exits.DONE, told.stderr
            assert out.read_bytes().startswith(b"\x89PNG")
            assert "Computed again" not in told.stdout + told.stderr, "the readings give the finding"
        shown = await benchd(bench, "show", "finding", finding["finding"], package=package)
        assert shown.returncode == exits.DONE, shown.stderr
        assert "chopper at 30 lp/mm" in shown.stdout


async def test_its_arrangement_is_told_wherever_the_bench_tells_of_one(
    bench: Stack, client: BenchClient, swept: tuple[dict[str, Any], list[dict[str, Any]]]
) -> None:
    finding, _ = swept
    about, setup = await client.kept("about"), await client.kept("setup")
    assert (about["arrangement"], about["stands"]) == ("folded", "target on the carriage, the wall seen in a mirror")
    assert about["cannot_tell"] == ["What the mirror does to the picture."]
    assert finding["measurand"]["arrangement"] == setup["arrangement"] == "folded"
    assert any("wall at 5.0 m" in note for note in finding["notes"])
    shown = await benchd(bench, "show", "finding", finding["finding"], package=False)
    assert "folded" in shown.stdout


async def test_the_way_it_is_folded_by_counts(client: BenchClient) -> None:
    """f m of T = f (1 + m)^2 / m for f = 49.6 mm and T = 5 m is 502.0 um (Newton), by distance and focal length."""
    await client.command("setup", set={"m": None})
    (conjugate,) = [term for term in (await client.kept("setup"))["chain"] if term["term"] == "conjugate"]
    await client.command("setup", set={"m": FITTED["m"]})
    assert conjugate["value_um"] == pytest.approx(502.0, abs=0.1)
    parts = {part["name"]: part["u"] for part in conjugate["parts"]}
    # x' goes with f^2 / T: by u(T) = 3.6 mm of both legs, 502 um / 5000 mm of it each.
    assert parts["distance"] == pytest.approx(0.102 * (3.0**2 + 2.0**2) ** 0.5, rel=0.02)


async def test_its_messages_are_described(
    client: BenchClient, swept: tuple[dict[str, Any], list[dict[str, Any]]]
) -> None:
    """They are held against the AsyncAPI document that ships, which knows nothing of it."""
    finding, readings = swept
    described = Described()
    about = await client.kept("about")
    for topic, doc in (("about", about), ("finding/flange", finding), ("reading", readings[0])):
        message = Message(f"benchd/{about['bench']}/{topic}", json.dumps(doc).encode(), 1)
        assert described.problem(message) is None, topic


async def test_check_knows_its_section_where_it_is_installed(bench: Stack) -> None:
    assert (await benchd(bench, "check", str(bench.bench_file))).returncode == exits.DONE
    unknown = await benchd(bench, "check", str(bench.bench_file), package=False)
    assert unknown.returncode == exits.REFUSED
    assert "detectors.chopper" in unknown.stdout
    assert "the name of a detector. Known: edge, meter" in unknown.stdout
    assert "arrangement.kind = 'folded': an arrangement that is installed (" in unknown.stdout
    text = bench.bench_file.read_text(encoding="utf-8")
    wrong = bench.bench_file.with_name("wrong.yaml")
    wrong.write_text(text.replace("readings: 8", "readings: 2"), encoding="utf-8")
    refused = await benchd(bench, "check", str(wrong))
    assert refused.returncode == exits.REFUSED
    assert "detectors.chopper.readings = 2" in refused.stdout
    wrong.write_text(text.replace("leg_mm: 2000.0", "leg: 2000.0"), encoding="utf-8")
    refused = await benchd(bench, "check", str(wrong))
    assert refused.returncode == exits.REFUSED
    assert "arrangement.leg = 2000.0: unknown key; did you mean 'leg_mm'?" in refused.stdout


async def test_without_its_section_a_dry_run_says_what_it_wants(bench: Stack) -> None:
    lines = bench.bench_file.read_text(encoding="utf-8").splitlines()
    begins = lines.index("detectors:")
    kept = [*lines[:begins], *lines[begins + 5 :]]
    assert lines[begins + 1].strip() == "chopper:"
    bare = bench.bench_file.with_name("bare.yaml")
    bare.write_text("\n".join(kept) + "\n", encoding="utf-8")
    procedure = bench.bench_file.with_name("look.yaml")
    steps = "needs: {roles: [carriage, detector]}\nsteps: [sweep: {merit: chopper}]\n"
    procedure.write_text(f"procedure: look\ntitle: Look\n{steps}", encoding="utf-8")
    told = await benchd(bench, "check", str(procedure), "--bench", str(bare), "--json")
    assert told.returncode == exits.REFUSED, told.stdout + told.stderr
    assert "The detector 'chopper' wants its section in the bench file, detectors.chopper" in told.stdout


async def test_the_study_draws_the_strata_of_both(site: Path) -> None:
    named = ["chopper/swing", "folded/by way of the mirror"]
    study = [sys.executable, str(ROOT / "scripts" / "study.py"), "--quick", "--strata", ",".join(named)]
    told = await asyncio.to_thread(subprocess.run, study, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    assert [line.partition(":")[0] for line in told.stdout.splitlines()] == named
