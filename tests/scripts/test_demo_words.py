"""The demo told what cannot be: words and an exit code, no traceback, nothing left running."""

from __future__ import annotations

import io
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from rich.console import Console

import demo_bench

BENCHD = Path(sys.executable).parent / "benchd"
DEMO = Path(__file__).resolve().parents[2] / "scripts" / "demo_bench.py"


def demo(*words: object) -> subprocess.CompletedProcess[str]:
    """Run it to its end."""
    command = [sys.executable, str(DEMO), "--once", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize("pace", ["0", "-1", "fast", "nan", "1000"])
def test_a_pace_that_cannot_be_is_wrong_usage(pace: str) -> None:
    told = demo("--pace", pace)
    assert told.returncode == 2
    assert f"{pace} is no number above 0 and at most 100" in told.stderr
    assert told.stdout == ""


def test_a_folder_that_cannot_be_one_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    told = demo("--folder", tmp_path / "file")
    assert told.returncode == 3
    assert f"The demo did not come to its end: {tmp_path / 'file'}" in told.stderr
    assert "Traceback" not in told.stderr


@pytest.mark.stack
def test_a_world_that_cannot_be_is_told_as_the_simulator_tells_it(tmp_path: Path) -> None:
    told = demo("--folder", tmp_path, "--world", "nope")
    assert told.returncode == 3
    assert "nope: no such world file; the worlds that ship are" in told.stderr


@pytest.mark.stack
def test_where_no_bar_can_be_drawn_each_step_is_a_line_with_the_time_to_go(tmp_path: Path) -> None:
    command = [sys.executable, str(DEMO), "--once", "--pace", "5", "--folder", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as piped:
        assert piped.stdout is not None
        lines = iter(piped.stdout.readline, "")
        told = next((line for line in lines if re.search(r"step \d+ of \d+, \d+ %, .* s to go", line)), None)
        piped.send_signal(signal.SIGTERM)
        rest, wrong = piped.communicate(timeout=120)
    assert told is not None, rest + wrong
    assert re.match(r"  r-\d+ \w+, step ", told)
    assert piped.returncode == 130, wrong
    assert "Traceback" not in wrong
    assert f"Record and logs stay in {tmp_path}." in wrong, "also where it was broken off"


def test_what_is_said_is_never_taken_for_markup_and_stands_under_its_beginning() -> None:
    """'install benchd[reports]' was shown as 'install benchd'."""
    out = Console(file=io.StringIO(), width=40, color_system=None)
    demo_bench.say_line(out, "No plot: install benchd[reports] into the environment")
    assert isinstance(out.file, io.StringIO)
    told = [line.rstrip() for line in out.file.getvalue().splitlines()]
    assert told == ["  No plot: install benchd[reports] into", "  the environment"]


@pytest.mark.stack
def test_the_lines_to_copy_reach_the_bench_and_ctrl_c_says_where_the_record_stays(tmp_path: Path) -> None:
    """The second terminal found no bench: where it was told of stood in brackets behind a heading."""
    command = [sys.executable, str(DEMO), "--pace", "5", "--folder", str(tmp_path), "--plot", str(tmp_path / "p.png")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as piped:
        assert piped.stdout is not None
        lines = []
        for line in iter(piped.stdout.readline, ""):
            lines.append(line.rstrip())
            if 'as "beat" beside' in line:
                break
        told = "\n".join(lines)
        copied = next(line.strip() for line in lines if line.startswith("  export XDG_RUNTIME_DIR="))
        status = subprocess.run(
            ["bash", "-c", f"{copied}; {BENCHD} status"], capture_output=True, text=True, timeout=60, check=False
        )
        piped.send_signal(signal.SIGINT)
        _, wrong = piped.communicate(timeout=60)
    assert status.returncode == 0, status.stderr + told + wrong
    assert "Bench north-rail, wall" in status.stdout
    assert f"Record and logs stay in {tmp_path}." in wrong
    assert sum(", step " in line for line in lines) < 100, "a run of 32 questions is no hundred lines of progress"
