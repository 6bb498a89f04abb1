"""Writes a file so that at any moment, a power cut included, it is there as it was or as it shall be."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(path: Path, raw: bytes) -> None:
    """Replace the file, or make it with its folder; a file that was there keeps its permissions. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_name(path.name + ".new")
    with new.open("wb") as file:
        if path.exists():
            os.fchmod(file.fileno(), path.stat().st_mode & 0o7777)
        file.write(raw)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)  # else the new name may be lost with the power
    finally:
        os.close(folder)
