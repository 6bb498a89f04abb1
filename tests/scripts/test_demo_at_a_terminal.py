"""The demo at a terminal of 80 columns, and in a second one what it says may be typed there."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.at_a_terminal import Terminal

pytestmark = pytest.mark.stack

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def terminals() -> Iterator[tuple[Terminal, Terminal]]:
    """Two, in the project's folder."""
    environment = {**os.environ, "TERM": "xterm", "PS1": "$ "}
    environment.pop("COLUMNS", None)
    two = Terminal(ROOT, environment), Terminal(ROOT, environment)
    yield two
    for terminal in reversed(two):
        terminal.end()


def test_it_fits_and_the_second_terminal_does_as_it_says(terminals: tuple[Terminal, Terminal], tmp_path: Path) -> None:
    """Tables of 100 columns broke on a terminal of 80, and the lines for the other terminal found no bench."""
    demo, other = terminals
    demo.type(f"scripts/demo --pace 5 --plot {tmp_path / 'curve.png'}")
    up = demo.until("The bench stays up")
    demo.until('"id".')
    assert [line for line in demo.too_wide() if str(tmp_path) not in line] == []  # a path is as long as it is
    shown = " ".join(demo.shown[:up].split())
    for part in ("Focus error", "Verdict", "Datum chain", "Uncertainty budget", "Truth, from the simulator"):
        assert part in shown
    lines = [line.strip() for line in demo.shown[up:].split("\n") if line.startswith("  ")]
    for line in lines:
        assert shlex.split(line), line
        if "mosquitto_sub" in line:  # which goes on for ever
            break
        before = len(other.shown)
        other.type(line)
        other.type("echo ended: $?")
        told = other.until("ended: ", other.until("echo ended: $?", before))
        assert other.shown[told] == "0", f"{line}\n{other.shown}"
    assert re.search(r"[Cc]arriage +idle", other.shown), other.shown
    assert "20" in other.shown
    assert other.too_wide() == []
    told = len(demo.shown)
    demo.interrupt()
    demo.until("$ ", told)
    assert "Traceback" not in demo.shown
