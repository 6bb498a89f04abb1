"""The simulated hardware as a process of its own, talked to through its ports only."""

from __future__ import annotations

import contextlib
import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from benchd_simulators.firmware.hand import tell

REPORT = re.compile(r"<([A-Z][a-z]+(?::\d)?)\|([MW]Pos):0\.000,0\.000,(-?\d+\.\d{3})\|(.*)>")


class Bench:
    """A running `benchd-sim up`. Serial ports opened through it are closed with it."""

    def __init__(self, folder: Path, *options: str, world: str = "workshop") -> None:
        self.folder = folder
        command = [sys.executable, "-m", "benchd_simulators", "up", world, "--dir", str(folder), "--camera-port", "0"]
        self.process = subprocess.Popen([*command, *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self._at_end = contextlib.ExitStack()
        assert self.process.stdout is not None
        self.printed = []
        for line in self.process.stdout:
            self.printed.append(line.split())
            if line.startswith("hand "):
                break
        else:
            assert self.process.stderr is not None
            raise AssertionError(self.process.stderr.read())

    @property
    def ports(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.folder / "ports.json").read_text())
        return found

    def serial(self, name: str = "board", timeout: float = 2.0, baud: int = 115200) -> serial.Serial:
        port = serial.Serial(str(self.folder / name), baud, timeout=timeout, exclusive=True)
        self.at_end(port.close)
        return port

    def at_end(self, close: Callable[[], object]) -> None:
        """Have `close` called before the bench is stopped."""
        self._at_end.callback(close)

    def tell(self, **command: Any) -> dict[str, Any]:
        return tell(self.folder, command)

    def fault(self, who: str, what: str, **args: Any) -> None:
        answer = self.tell(do="fault", who=who, what=what, args=args)
        assert answer["ok"], answer

    def truth(self) -> dict[str, Any]:
        found: dict[str, Any] = self.tell(do="truth")["truth"]
        return found

    def rested_turns(self, for_s: float) -> int:
        """How often any of its threads has woken up by itself in so long (proc(5), voluntary context switches)."""
        before = _turns(self.process.pid)
        time.sleep(for_s)
        return _turns(self.process.pid) - before

    def stop(self, number: int = signal.SIGTERM) -> int:
        self._at_end.close()
        if self.process.poll() is None:
            self.process.send_signal(number)
        code = self.process.wait(10)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()
        return code


def _turns(pid: int) -> int:
    found = [
        re.search(r"^voluntary_ctxt_switches:\s*(\d+)", one.read_text(), re.MULTILINE)
        for one in Path(f"/proc/{pid}/task").glob("*/status")
    ]
    return sum(int(match[1]) for match in found if match)


class BoardPort:
    """The board's port with the little that a person at a terminal does."""

    def __init__(self, port: serial.Serial) -> None:
        self.port = port

    def write(self, data: bytes) -> None:
        self.port.write(data)

    def line(self) -> str:
        """The next line; '' after the time-out."""
        return self.port.readline().decode("ascii").removesuffix("\r\n")

    def lines_until(self, last: str) -> list[str]:
        """Lines up to and with `last`."""
        found = [self.line()]
        while found[-1] != last:
            assert found[-1] or len(found) < 20, found
            found.append(self.line())
        return found

    def ask(self, text: str) -> str:
        """Send a line; its final answer."""
        self.write(text.encode() + b"\n")
        return self.answer()

    def answer(self) -> str:
        """The next `ok` or `error:`, whatever is told in between."""
        for _ in range(60):
            line = self.line()
            if line == "ok" or line.startswith("error:"):
                return line
        raise AssertionError("no answer")

    def status(self) -> tuple[str, float, str]:
        """State, Z of the position, other fields."""
        self.write(b"?")
        line = self.line()
        match = REPORT.fullmatch(line)
        assert match, line
        return match[1], float(match[3]), match[4]

    def wait_for(self, state: str, within_s: float = 20.0) -> float:
        """Ask until the state is reached; the position then."""
        ends = time.monotonic() + within_s
        while time.monotonic() < ends:
            found, z_mm, _ = self.status()
            if found == state:
                return z_mm
            time.sleep(0.01)
        raise AssertionError(f"{state} not reached, still {found}")

    def speaks_again(self, within_s: float = 20.0) -> None:
        """Ask until anything is answered."""
        ends = time.monotonic() + within_s
        while time.monotonic() < ends:
            self.write(b"?")
            if self.line():
                return
        raise AssertionError("still silent")

    def home(self) -> None:
        self.port.timeout = 30.0
        assert self.ask("$H") == "ok"
        self.port.timeout = 2.0


@pytest.fixture
def start_bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    """Starts benches with options of `benchd-sim up`; stops them after the test."""
    with contextlib.ExitStack() as stack:

        def start(*options: str, world: str = "workshop", folder: Path | None = None) -> Bench:
            bench = Bench(folder or tmp_path / "run", *options, world=world)
            stack.callback(bench.stop)
            return bench

        yield start


@pytest.fixture
def bench(start_bench: Callable[..., Bench]) -> Bench:
    """A workshop at pace 5."""
    return start_bench("--pace", "5")


@pytest.fixture(scope="module")
def shared_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A workshop at pace 5 for tests that leave it as it was."""
    bench = Bench(tmp_path_factory.mktemp("shared") / "run", "--pace", "5")
    yield bench
    bench.stop()


@pytest.fixture
def board(bench: Bench) -> BoardPort:
    """Its board, as powered up: locked."""
    return BoardPort(bench.serial())


@pytest.fixture
def homed(board: BoardPort) -> BoardPort:
    board.home()
    return board
