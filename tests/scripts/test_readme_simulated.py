"""The README's section on simulated hardware, its lines typed as they stand into terminals of 80 columns."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.at_a_terminal import Terminal

pytestmark = pytest.mark.stack

ROOT = Path(__file__).resolve().parents[2]
HEAD = "## Simulated hardware with your own bench file"


def blocks() -> list[list[str]]:
    """The lines to type, a list for each terminal."""
    section = (ROOT / "README.md").read_text(encoding="utf-8").partition(HEAD)[2].partition("\n## ")[0]
    return [block.strip().splitlines() for block in re.findall(r"```sh\n(.*?)```", section, re.DOTALL)]


@pytest.fixture
def terminals(tmp_path: Path) -> Iterator[list[Terminal]]:
    """Three, in a folder that has what the project's has."""
    for name in ("configs", "simulators", ".venv"):
        (tmp_path / name).symlink_to(ROOT / name)
    (tmp_path / "xdg").mkdir(mode=0o700)
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(tmp_path / "xdg"), "TERM": "xterm", "PS1": "$ "}
    environment.pop("COLUMNS", None)
    three = [Terminal(tmp_path, environment) for _ in range(3)]
    yield three
    for terminal in reversed(three):
        terminal.end()


def test_the_lines_do_what_the_section_says(terminals: list[Terminal], tmp_path: Path) -> None:
    """Nobody could run simulated hardware with a bench file of their own by the README alone."""
    hardware, daemon, person = terminals
    first, second, third = blocks()
    for line in first:
        hardware.type(line)
    hardware.until("hand.sock")
    camera = re.search(r"camera +(http\S+)/frame.png", hardware.shown)
    assert camera is not None, hardware.shown
    file = tmp_path / "my-bench" / "bench.yaml"
    text = file.read_text(encoding="utf-8")
    # As the section says, for a machine on which the port is taken.
    file.write_text(text.replace("http://127.0.0.1:8780", camera[1]), encoding="utf-8")
    for line in second:
        daemon.type(line)
    daemon.until("is up, on MQTT")
    assert "bench.yaml: fine" in daemon.shown
    for line in third[:-2]:
        person.type(line)
    asked = person.until("[Enter when it is so; or abort]")
    assert '"lens": "L-0500"' in person.shown
    assert '"distance_mm"' in person.shown
    time.sleep(1.0)  # an answer that comes before anybody can have read the question is none
    person.type("")
    ended = person.until("is done.", asked)
    person.until("RELATIVE", asked)
    for line in third[-2:]:
        person.type(line)
    told = person.until("is in L-0500-f-1.png.", ended)
    report = person.shown[ended:told]
    assert re.search(r'"focus_error_um": -?\d', report)
    assert "Datum chain" in report
    assert person.too_wide(ended, told) == []
