"""The README's section on simulated hardware, its lines typed as they stand into terminals of 80 columns."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Iterator
from fcntl import ioctl
from pathlib import Path

import pytest

pytestmark = pytest.mark.stack

ROOT = Path(__file__).resolve().parents[2]
HEAD = "## Simulated hardware with your own bench file"
COLUMNS = 80
PATIENCE_S = 240.0


class Terminal:
    """A shell at a pseudo-terminal."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self._master, slave = pty.openpty()
        ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
        self._process = subprocess.Popen(
            ["bash", "--norc", "--noediting", "-i"], cwd=folder, env=environment,
            stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self._told = b""

    @property
    def shown(self) -> str:
        """What stood on it, without colours; a colour may come in two reads."""
        text = self._told.decode(errors="replace")
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text).replace("\r\n", "\n")

    def type(self, line: str) -> None:
        os.write(self._master, line.encode() + b"\n")

    def until(self, text: str, since: int = 0) -> int:
        """Wait until the text has come; gives where what follows it begins."""
        end = time.monotonic() + PATIENCE_S
        while text not in self.shown[since:]:
            assert time.monotonic() < end, self.shown[since:]
            assert "was not started" not in self.shown, self.shown
            if select.select([self._master], [], [], 0.5)[0]:
                self._told += os.read(self._master, 65536)
        return self.shown.index(text, since) + len(text)

    def end(self) -> None:
        for _ in range(2):
            with contextlib.suppress(ProcessLookupError):
                os.killpg(os.tcgetpgrp(self._master), signal.SIGINT)
            time.sleep(0.5)
        self._process.kill()
        self._process.wait()
        os.close(self._master)


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
    for line in report.split("\n"):
        drawn = line.rpartition("\r")[2]
        assert len(drawn) <= COLUMNS or drawn.startswith("$ "), drawn
