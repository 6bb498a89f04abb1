"""A bad file of each kind is told by file, line and key, with what stands there and what may; nothing moves, and
nothing that was there before is touched."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio

import benchd_simulators
from benchd.cli import exits
from tests.faults.conftest import Lab, lab

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module"), pytest.mark.xdist_group("faults-files")]

BIN = Path(sys.executable).parent

PROCEDURE = """\
procedure: look_twice
title: Look twice
needs: {roles: [carriage]}
steps:
  - home: {axes: [carriage]}
  - ask: {kind: confirm, text: "Ready?"}
"""

# File, what stands in it, what is put there instead (its key is to be named), and words of what may stand there.
BAD = [
    pytest.param("bench.yaml", "tolerance_um: 1.0", "tolerance_um: soon", "'soon'", "number", id="bench"),
    pytest.param("bench.yaml", "settle_ms:", "setle_ms:", "", "did you mean 'settle_ms'", id="unknown_key"),
    pytest.param("bench.yaml", "travel_um: [0, 30000]", "travel_um: [30000, 0]", "[30000, 0]", "below", id="order"),
    pytest.param("adapters/ring-07.yaml", "u_um: 1.5", "u_um: -3", "-3", "0", id="adapter"),
    pytest.param("lenses/L-0417.yaml", "f_number: 2.0", "f_number: wide", "'wide'", "number", id="lens"),
    pytest.param("references/collar-45.yaml", "u_um: 0.6", "u_um: -0.6", "-0.6", "", id="setting_ring"),
    pytest.param("glasses/pane-25.yaml", "index: 1.5230", "index: 0.5", "0.5", "", id="glass"),
    pytest.param("procedures/look_twice.yaml", "kind: confirm", "kind: guess", "'guess'", "", id="procedure"),
]


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench() -> AsyncIterator[Lab]:
    """A bench that has run before: its record holds a run, and the copies of its files are from then."""
    async with lab(seed=16, daemon=False) as found:
        folder = found.stack.bench_file.parent / "procedures"
        folder.mkdir()
        (folder / "look_twice.yaml").write_text(PROCEDURE, encoding="utf-8")
        async with found.up(), found.at() as client:
            await found.home()
            await client.do("move", axis="carriage", carriage_um=3000, within_s=20)
        yield found


async def ask(folder: Path, command: str, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """One command to its end."""
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(folder / "xdg"), "COLUMNS": "400"}

    def carry_out() -> subprocess.CompletedProcess[str]:
        arguments = [str(BIN / command), *(str(word) for word in words)]
        return subprocess.run(arguments, capture_output=True, text=True, timeout=120, check=False, env=environment)

    return await asyncio.to_thread(carry_out)


def record_of(bench: Lab) -> str:
    return hashlib.sha256((bench.stack.bench_file.parent / "workshop.db").read_bytes()).hexdigest()


@pytest.mark.parametrize(("name", "good", "bad", "stands", "may"), BAD)
async def test_a_bad_file_is_told_by_file_line_and_key(
    bench: Lab, name: str, good: str, bad: str, stands: str, may: str
) -> None:
    folder = bench.stack.bench_file.parent
    file, key = folder / name, bad.partition(":")[0]
    text = file.read_text(encoding="utf-8")
    assert text.count(good) == 1
    line = text[: text.index(good)].count("\n") + 1
    place, before = bench.place_um(), record_of(bench)
    file.write_text(text.replace(good, bad), encoding="utf-8")
    try:
        checked = await ask(bench.stack.folder, "benchd", "check", file, "--json")
        started = await ask(bench.stack.folder, "benchd", "up", bench.stack.bench_file)
    finally:
        file.write_text(text, encoding="utf-8")
    assert checked.returncode == exits.REFUSED, checked.stderr
    (problem,) = json.loads(checked.stdout)["files"][0]["problems"]
    assert Path(problem["file"]) == file
    assert problem["line"] == line, problem
    assert problem["key"].endswith(key), problem
    assert stands.strip("'") in str(problem["stands"]), problem
    assert problem["allowed"], problem
    assert may in problem["allowed"], problem

    assert started.returncode == exits.REFUSED, started.stderr
    assert f"{file}:{line}" in started.stderr
    for word in (key, stands, may, "nothing moved"):
        assert word in started.stderr, started.stderr
    assert "Traceback" not in started.stderr + checked.stderr
    # The copy from when it last loaded well is offered, and is that.
    copy = next(folder.joinpath(".last-good").rglob(Path(name).name), None)
    if not name.startswith("procedures/"):
        assert copy is not None
        assert str(copy) in started.stderr
        assert copy.read_text(encoding="utf-8") == text
    assert abs(bench.place_um() - place) < 5.0
    assert bench.board()["power"] == 0
    assert record_of(bench) == before
    assert bench.left() == {}


async def test_a_truncated_file_is_named_not_guessed(bench: Lab) -> None:
    """As a power cut leaves it: named, not guessed, and not mended by itself."""
    file = bench.stack.bench_file
    text = file.read_text(encoding="utf-8")
    half = text[: text.index("roles:") + 20]
    file.write_text(half, encoding="utf-8")
    try:
        started = await ask(bench.stack.folder, "benchd", "up", file)
        assert started.returncode == exits.REFUSED
        assert str(file) in started.stderr
        assert str(file.parent / ".last-good" / file.name) in started.stderr
        assert file.read_text(encoding="utf-8") == half
    finally:
        file.write_text(text, encoding="utf-8")


async def test_a_record_that_is_none(bench: Lab, tmp_path: Path) -> None:
    folder = tmp_path / "workshop"
    shutil.copytree(bench.stack.bench_file.parent, folder, ignore=shutil.ignore_patterns("run", "workshop.db*"))
    (folder / "workshop.db").write_bytes(b"the grocer's list, kept in the wrong place" * 100)
    before = (folder / "workshop.db").read_bytes()
    started = await ask(bench.stack.folder, "benchd", "up", folder)
    assert started.returncode in (exits.REFUSED, exits.FAULT), started.stderr
    assert "workshop.db" in started.stderr
    assert "Traceback" not in started.stderr
    assert (folder / "workshop.db").read_bytes() == before
    assert bench.left() == {}


async def test_bad_world(bench: Lab, tmp_path: Path) -> None:
    shipped = Path(benchd_simulators.__file__).parent / "worlds" / "workshop.yaml"
    text = shipped.read_text(encoding="utf-8")
    line = text[: text.index("backlash_um: 6")].count("\n") + 1
    world = tmp_path / "bent.yaml"
    world.write_text(text.replace("backlash_um: 6", "backlash_um: much"), encoding="utf-8")
    done = await ask(tmp_path, "benchd-sim", "up", world, "--dir", tmp_path / "run")
    assert done.returncode == exits.REFUSED
    for word in (f"{world}:{line}", "backlash_um", "much"):
        assert word in done.stderr, done.stderr
    assert not (tmp_path / "run" / "ports.json").exists()
