"""`benchd examples`: who installs from a wheel has a bench to begin with, and nothing of theirs is overwritten."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from benchd.cli import exits
from benchd.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
CONFIGS = ROOT / "configs"


def contents(folder: Path) -> dict[str, bytes]:
    return {str(one.relative_to(folder)): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


def test_all_is_copied_and_can_be_checked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = tmp_path / "new" / "mine"
    assert main(["examples", str(mine)]) == exits.DONE
    assert f"benchd check {mine / 'workshop'}" in capsys.readouterr().out
    assert contents(mine) == contents(CONFIGS)
    benches = [str(one.parent) for one in mine.glob("*/bench.yaml")]
    assert len(benches) == 11
    assert main(["check", *benches]) == exits.DONE


def test_nothing_is_overwritten_and_then_nothing_is_copied(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "workshop" / "bench.yaml"
    own.parent.mkdir()
    own.write_text("bench: mine\n", encoding="utf-8")
    assert main(["examples", str(tmp_path)]) == exits.REFUSED
    assert f"{own} would be overwritten" in capsys.readouterr().err
    assert contents(tmp_path) == {"workshop/bench.yaml": b"bench: mine\n"}


def test_a_folder_that_is_a_file_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "taken").write_text("", encoding="utf-8")
    assert main(["examples", str(tmp_path / "taken")]) == exits.REFUSED
    assert "taken" in capsys.readouterr().err


def test_the_wheel_holds_them(tmp_path: Path) -> None:
    """It held no bench file and no schema: who installed it had nothing to copy."""
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path / "dist")]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True, text=True)
    (wheel,) = (tmp_path / "dist").glob("*.whl")
    installed = tmp_path / "installed"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(installed)
    assert contents(installed / "benchd" / "examples") == contents(CONFIGS)
    # Run as installed: the package of the wheel, not of this checkout.
    code = f"import sys; sys.path.insert(0, {str(installed)!r}); from benchd.cli.main import main; sys.exit(main())"
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    done = subprocess.run(
        [sys.executable, "-c", code, "examples", "mine", "--json"],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == exits.DONE, done.stderr
    assert set(json.loads(done.stdout)["files"]) == set(contents(CONFIGS))
    assert contents(tmp_path / "mine") == contents(CONFIGS)
