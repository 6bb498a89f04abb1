"""A light that is a laser has to go out as soon as nobody asks for it any more, and no bench here can do that yet."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.bench.assembly import build
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems

CONFIGS = Path(__file__).parents[2] / "configs"
LAMP = "    pwm_hz: 1000 "


def bench_with(folder: Path, laser_class: str) -> tuple[Path, int]:
    """The shipped bench with its lamp called a laser, and the line that says so."""
    shutil.copytree(CONFIGS, folder / "configs")
    file = folder / "configs" / "workshop" / "bench.yaml"
    text = file.read_text(encoding="utf-8")
    assert text.count(LAMP) == 1
    file.write_text(text.replace(LAMP, f'    laser_class: "{laser_class}"\n{LAMP}'), encoding="utf-8")
    return file, text[: text.index(LAMP)].count("\n") + 1


@pytest.mark.parametrize("laser_class", ["1", "2", "3R", "4"])
def test_a_laser_is_refused_at_its_line(tmp_path: Path, laser_class: str) -> None:
    """Whatever its class: it is not for a program to say which of them may stay on by themselves."""
    file, line = bench_with(tmp_path, laser_class)
    with pytest.raises(FileProblems) as refused:
        build(load_bench(file))
    (problem,) = refused.value.problems
    assert (problem.line, problem.key, problem.stands) == (line, "devices.lamp.laser_class", f"'{laser_class}'")
    assert "not supported yet" in problem.allowed


@pytest.mark.parametrize("command", ["check", "up"])
def test_neither_check_nor_up_passes_it_over(tmp_path: Path, command: str) -> None:
    file, line = bench_with(tmp_path, "2")
    words = [str(Path(sys.executable).with_name("benchd")), command, str(file)]
    told = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert told.returncode == 1
    assert f"bench.yaml:{line}:" in told.stdout + told.stderr
    assert "not supported yet" in told.stdout + told.stderr
