"""What continuous integration starts is the script that people start, with what stands behind it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_arguments_go_on_to_the_tests(tmp_path: Path) -> None:
    """They were dropped: whoever asked for one room ran everything."""
    for folder in (".ci", "scripts"):
        (tmp_path / folder).mkdir()
    shutil.copy(ROOT / ".ci" / "run", tmp_path / ".ci" / "run")
    standing_in = tmp_path / "scripts" / "test"
    standing_in.write_text('#!/bin/sh\nprintf "%s\\n" "$@"\n', encoding="utf-8")
    standing_in.chmod(0o755)
    done = subprocess.run(
        [tmp_path / ".ci" / "run", "tests/files", "-k", "two words"], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines() == ["tests/files", "-k", "two words"]
