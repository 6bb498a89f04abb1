"""A driver as other people ship it: the one that DEVELOPERS.md shows, built as a wheel, found by its entry point, and
held against the contracts by `pytest --bench`, as its author would at the hardware."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.drivers.test_example_driver import Lamp, blocks
from tests.plugins.conftest import installed

PROJECT = """
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"

[project]
name = "house-lights"
version = "0.1.0"
dependencies = ["benchd"]

[project.entry-points."benchd.drivers"]
plain_light = "house_lights:PlainLight"

[tool.hatch.build.targets.wheel]
only-include = ["house_lights.py"]
"""
WORKSHOP = Path(__file__).resolve().parents[2] / "configs" / "workshop" / "bench.yaml"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    package = tmp_path_factory.mktemp("house_lights")
    (code,) = (block for block in blocks() if "class PlainLight(" in block)
    (package / "house_lights.py").write_text(code, encoding="utf-8")
    (package / "pyproject.toml").write_text(PROJECT, encoding="utf-8")
    return installed(package, tmp_path_factory.mktemp("packages"))


@pytest.fixture
def lamp(tmp_path: Path) -> Iterator[Lamp]:
    bench = WORKSHOP.read_text(encoding="utf-8")
    for before, more in (
        ("links:\n", "  lamp_line: {kind: serial, port: lamp}\n"),
        ("devices:\n", "  spot: {driver: plain_light, link: lamp_line}\n"),
    ):
        assert bench.count(f"\n{before}") == 1
        bench = bench.replace(f"\n{before}", f"\n{before}{more}")
    (tmp_path / "bench.yaml").write_text(bench, encoding="utf-8")
    lamp = Lamp(tmp_path / "lamp")
    lamp.peer.plug()
    lamp.port.symlink_to(lamp.peer.path)
    yield lamp
    lamp.peer.unplug()


def kit(site: Path | None, folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """`pytest --bench` in an author's own folder, with the package installed or not."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    if site is not None:
        environment["PYTHONPATH"] = os.pathsep.join((str(site), *filter(None, [os.environ.get("PYTHONPATH")])))
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:xdist",
        "--bench",
        "bench.yaml",
        *options,
    ]
    return subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
    )


def ended(told: str) -> dict[str, int]:
    """The counts of pytest's last line."""
    return {what: int(count) for count, what in re.findall(r"(\d+) (\w+)", told.strip().splitlines()[-1])}


def test_a_light_that_was_not_allowed_to_stays_dark(site: Path, lamp: Lamp, tmp_path: Path) -> None:
    done = kit(site, tmp_path, "--bench-device", "spot")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "spot: read, opened and closed; it does not light up (--bench-allow spot lets it)" in done.stdout
    assert set(re.findall(rb"LIGHT ([0-9.]+)\n", bytes(lamp.peer.received))) == {b"0.00"}
    assert ended(done.stdout)["passed"] >= 8
    assert "warning" not in done.stdout + done.stderr


def test_a_light_that_may_goes_up_to_full_and_ends_dark(site: Path, lamp: Lamp, tmp_path: Path) -> None:
    done = kit(site, tmp_path, "--bench-device", "spot", "--bench-allow", "spot", "-rs")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "spot: goes up to FULL LIGHT" in done.stdout
    assert "Do not look into lights" in done.stdout
    assert b"LIGHT 1.00\n" in lamp.peer.received
    assert lamp.level == b"0.00"
    assert "nobody can pull this device's cable" in done.stdout


def test_a_driver_that_breaks_its_contract_fails(site: Path, lamp: Lamp, tmp_path: Path) -> None:
    """The kit can fail: the same driver without its check of the level."""
    worse = tmp_path / "worse"
    worse.mkdir()
    code = (site / "house_lights.py").read_text(encoding="utf-8")
    broken = code.replace("if not 0.0 <= level <= 1.0:", "if level == 2.0:")
    assert broken != code
    for name in site.iterdir():
        (worse / name.name).symlink_to(name)
    (worse / "house_lights.py").unlink()
    (worse / "house_lights.py").write_text(broken, encoding="utf-8")
    done = kit(worse, tmp_path, "--bench-device", "spot", "--bench-allow", "spot")
    assert done.returncode == 1, done.stdout + done.stderr
    assert "test_level_outside_is_refused_and_changes_nothing[spot-1.01]" in done.stdout


def test_what_cannot_be_done_is_refused_before_anything_opens(site: Path, lamp: Lamp, tmp_path: Path) -> None:
    for options, told in (
        (["--bench-allow", "lump"], "no device of that name moves or lights up here. These do: spot, stage, lamp."),
        (["--bench-hands"], "--bench-hands asks at a terminal, and there is none: leave it out."),
    ):
        done = kit(site, tmp_path, *options)
        assert done.returncode == 4
        assert told in done.stderr
    assert not lamp.peer.received


def test_a_file_without_the_package_is_refused_at_its_line(lamp: Lamp, tmp_path: Path) -> None:
    done = kit(None, tmp_path)
    assert done.returncode == 4
    (line,) = (
        n for n, text in enumerate((tmp_path / "bench.yaml").read_text().splitlines(), 1) if "plain_light" in text
    )
    assert f"bench.yaml:{line}:" in done.stderr
    assert "Installed:" in done.stderr
