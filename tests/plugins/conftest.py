"""Packages of other people, built as wheels and installed as pip does into an environment."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stack import Stack

sys.path.append(str(Path(__file__).resolve().parents[2] / "scripts"))


def installed(package: Path, to: Path) -> Path:
    """The folder in which it stands then."""
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(to / "dist")]
    subprocess.run(build, cwd=package, check=True, capture_output=True, text=True)
    (wheel,) = (to / "dist").glob("*.whl")
    site = to / "site"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", str(site)]
    subprocess.run([*pip, str(wheel)], check=True, capture_output=True, text=True)
    return site


async def benchd(bench: Stack, *args: str, package: bool = True) -> subprocess.CompletedProcess[str]:
    """The command line in the bench's folder, with the package installed or not.

    Clients go on meanwhile: one that reads nothing for long is no client of the broker any more.
    """
    from stack import BIN

    environment = {**os.environ, "XDG_RUNTIME_DIR": str(bench.folder / "xdg"), "COLUMNS": "100"}
    if not package:
        environment.pop("PYTHONPATH")
    here = bench.bench_file.parent
    command: list[str | Path] = [BIN / "benchd", *args]
    return await asyncio.to_thread(
        lambda: subprocess.run(command, cwd=here, env=environment, capture_output=True, text=True, check=False)
    )
