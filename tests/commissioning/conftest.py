"""Simulated hardware on real ports, and the command line in this process or at a real terminal."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchd.cli.main import main
from benchd_simulators.firmware.hand import tell
from tests.at_a_terminal import Terminal

ROOT = Path(__file__).resolve().parents[2]
sys.path.append(str(ROOT / "scripts"))
LEAST = (
    "carriage_port=/dev/ttyUSB7",
    "travel_um=0, 30 mm",
    "flange_depth_mm=50",
    "base_mm=24",
    "target_mm=1",
)
"""What nobody can guess."""

SCALE = ("scale_ask=P?", "scale_pattern=^P=([-+0-9.]+)$", "scale_resolution_um=0.05")
DIAL = ("indicator_ask=R?", "indicator_pattern=^R=([-+0-9.]+)$", "indicator_resolution_um=0.2",
        "indicator_grows=deeper", "indicator_range_um=-600, 600")  # fmt: skip


@dataclass(frozen=True)
class Told:
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def doc(self) -> Any:
        return json.loads(self.out)

    def of(self, what: str) -> list[dict[str, str]]:
        """What a doctor found of one thing."""
        return [one for one in self.doc["found"] if one["what"] == what]

    @property
    def wrong(self) -> set[str]:
        return {one["what"] for one in self.doc["found"] if one["state"] == "wrong"}


Cli = Callable[..., Told]


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Cli:
    """The command line in this process, in the test's folder; no daemon of this machine is seen."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "xdg"))
    (tmp_path / "xdg").mkdir(exist_ok=True)
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> Told:
        capfd.readouterr()
        code = main(words)
        captured = capfd.readouterr()
        return Told(code, captured.out, captured.err)

    return call


@dataclass(frozen=True)
class Hardware:
    """A simulator with its ports; `folder` holds the records and the bench file that `benchd new` wrote."""

    folder: Path
    ports: dict[str, Any]

    def answers(self, pace: float = 1.0) -> list[str]:
        """What somebody who built this bench would answer."""
        camera, settings = self.ports["camera"], self.ports["camera_settings"]
        return [
            "bench=rail", "carriage_port=run/board", "travel_um=0, 30 mm", f"top_speed_um_s={4000 * pace:g}",
            f"acceleration_um_s2={20000 * pace**2:g}", f"settle_ms={150 / pace:g}", "pwm_hz=1000",
            "scale_port=run/counter", *SCALE, "scale_subdivision_um=0.15", "scale_u=1e-5",
            "scale_reference_ask=Z?", "scale_reference_pattern=^Z=1$",
            "indicator_port=run/indicator", *DIAL, "indicator_hysteresis_um=0.3", "indicator_u_gain=0.001",
            f"camera_url={camera}", f"camera_settings_url={settings}?exposure_ms={{exposure_ms}}&gain={{gain}}",
            "camera_time_header=X-Frame-Time", "camera_linear=yes", "mount=m50", "flange_depth_mm=50",
            "base_mm=24", "u_base_mm=0.1", "target_mm=1", "u_target_mm=0.0005", "joint_u_um=0.7",
            "clearance_um=2 mm", "shims_um=10, 20, 50, 100",
        ]  # fmt: skip

    def fault(self, who: str, what: str, **args: Any) -> None:
        answer = tell(self.folder / "run", {"do": "fault", "who": who, "what": what, "args": args})
        assert answer.get("ok"), answer


@pytest.fixture(scope="module")
def hardware(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hardware]:
    """One for a module's tests, which leave it as they found it."""
    folder = tmp_path_factory.mktemp("bench")
    for records in ("adapters", "glasses", "lenses", "references"):
        shutil.copytree(ROOT / "configs" / "workshop" / records, folder / records)
    command = [str(Path(sys.executable).parent / "benchd-sim"), "up", "workshop", "--camera-port", "0", "--with-parent"]
    process = subprocess.Popen(
        [*command, "--dir", str(folder / "run")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        ports = folder / "run" / "ports.json"
        for _ in range(1200):
            if ports.exists():
                break
            assert process.poll() is None
            time.sleep(0.05)
        yield Hardware(folder, json.loads(ports.read_text(encoding="utf-8")))
    finally:
        process.terminate()
        process.wait()


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    """A shell at a pseudo-terminal, in the test's folder."""
    environment = {**os.environ, "TERM": "dumb", "PS1": "$ ", "XDG_RUNTIME_DIR": str(tmp_path / "xdg")}
    environment["PATH"] = f"{Path(sys.executable).parent}:{environment['PATH']}"
    environment.pop("COLUMNS", None)
    (tmp_path / "xdg").mkdir(exist_ok=True)
    shell = Terminal(tmp_path, environment)
    yield shell
    shell.end()
