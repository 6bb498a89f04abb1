"""The demo told what cannot be: words and an exit code, no traceback, nothing left running."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

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
        rest, wrong = piped.communicate(timeout=30)
    assert told is not None, rest + wrong
    assert re.match(r"  r-\d+ \w+, step ", told)
    assert piped.returncode == 130, wrong
    assert "Traceback" not in wrong
