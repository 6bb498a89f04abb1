"""Types and the rooms' floors, by the tools that hold them, beside the tests that wait for simulated hardware."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
BIN = Path(sys.executable).parent


@pytest.mark.parametrize("tool", ["mypy", "lint-imports"])
def test_what_the_tool_holds_holds(tool: str) -> None:
    done = subprocess.run([BIN / tool], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
