"""Writes a file so that at any moment, a power cut included, it is there as it was or as it shall be."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Begun:
    """A new text that is safe on the disk beside the file which it is to replace. `finish` or `drop` it."""

    path: Path
    beside: Path

    def finish(self) -> None:
        """Put it in the file's place. Raises OSError; then the file is as it was, and nothing is left beside it."""
        try:
            self.beside.replace(self.path)
        except OSError:
            self.drop()
            raise
        _sync(self.path.parent)  # else the new name may be lost with the power

    def drop(self) -> None:
        """Take it away: the file stays as it was."""
        with suppress(OSError):
            self.beside.unlink()


def begin_write(path: Path, raw: bytes) -> Begun:
    """What needs room on the disk, and may fail; the file is not touched, its folder is made. Raises OSError."""
    _make(path.parent)
    path = path.resolve()  # a link stays one
    begun = Begun(path, path.with_name(path.name + ".new"))
    try:
        with begun.beside.open("wb") as file:
            if path.exists():
                before = path.stat()
                os.fchmod(file.fileno(), before.st_mode & 0o7777)
                with suppress(PermissionError):
                    os.fchown(file.fileno(), before.st_uid, before.st_gid)
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        begun.drop()  # on a full disk it would take the room of the next
        raise
    return begun


def write_whole(path: Path, raw: bytes) -> None:
    """Replace the file, or make it with its folder; what was there keeps its owner and mode. Raises OSError."""
    begin_write(path, raw).finish()


def _make(folder: Path) -> None:
    """The folder, on the disk with those that it is in."""
    if not folder.is_dir():
        _make(folder.parent)
        folder.mkdir(exist_ok=True)
        _sync(folder.parent)


def _sync(folder: Path) -> None:
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
