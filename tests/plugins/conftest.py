"""Packages of other people, built as wheels and installed as pip does into an environment."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

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
