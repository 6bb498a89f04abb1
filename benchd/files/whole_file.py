"""Writes a file so that at any moment, a power cut included, it is there as it was or as it shall be."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, raw: bytes) -> None:
    """Replace the file, or make it with its folder; what was there keeps its owner and mode. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path = path.resolve()  # a link stays one
    new = path.with_name(path.name + ".new")
    with new.open("wb") as file:
        if path.exists():
            before = path.stat()
            os.fchmod(file.fileno(), before.st_mode & 0o7777)
            with suppress(PermissionError):
                os.fchown(file.fileno(), before.st_uid, before.st_gid)
        file.write(raw)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)  # else the new name may be lost with the power
    finally:
        os.close(folder)
