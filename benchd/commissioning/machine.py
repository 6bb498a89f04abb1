"""Whether this machine's clock and disk will do."""

from __future__ import annotations

import ctypes
import os
import shutil
from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from benchd.commissioning.diagnosis import Found
from benchd.errors import BenchdError
from benchd.quantities import utc_seconds

AHEAD_S = 120.0
"""Files and records are not younger than now by so much: a file server's clock may be off by a little."""
LEAST_MB, FEW_MB = 50.0, 1000.0
"""A day of lenses leaves some MB (a reading is a hundred bytes); the record is copied before it is migrated."""
PROBE_BYTES = 64 * 1024
_ADJTIMEX_BYTES, _TIME_ERROR = 512, 5
SET = "`timedatectl set-ntp true` has it set over the network, `sudo timedatectl set-time ..` sets it by hand."


def clock(now_s: float, files: Iterable[Path], records: Iterable[str] = ()) -> list[Found]:
    """The wall clock, which dates every finding: against the youngest file and the last time on record (RFC 3339)."""
    youngest = [(_changed(path), str(path)) for path in files]
    for told in records:
        with suppress(BenchdError):
            youngest.append((utc_seconds(told), "the last entry of the record"))
    at_s, what = max(youngest, default=(0.0, ""))
    if at_s > now_s + AHEAD_S:
        text = f"The clock says {_utc(now_s)}, and {what} is of {_utc(at_s)}: the clock is behind."
        return [Found("clock", "wrong", text, SET)]
    if unsynchronised():
        text = f"The clock says {_utc(now_s)}, and the kernel knows of no time service that keeps it right."
        return [Found("clock", "note", text, f"Findings are dated by it, and calibrations expire by it. {SET}")]
    return [Found("clock", "ok", f"The clock says {_utc(now_s)}.")]


def _changed(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def _utc(at_s: float) -> str:
    try:
        return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    except (OverflowError, OSError, ValueError):
        return f"{at_s:.0f} s after 1970"


def unsynchronised() -> bool:
    """Whether the kernel says that no time service keeps its clock; False where it cannot be asked."""
    try:
        asked = ctypes.create_string_buffer(_ADJTIMEX_BYTES)  # all zero: it is only asked, nothing is set
        return bool(ctypes.CDLL(None).adjtimex(asked) == _TIME_ERROR)
    except (OSError, AttributeError):
        return False


def disk(folder: Path) -> list[Found]:
    """Room for the record in that folder, shown by writing a small file and taking it away again."""
    what = f"{folder} may be written to"
    beside = folder / f".benchd-doctor-{os.getpid()}"
    try:
        free_mb = shutil.disk_usage(folder).free / 1e6
        with beside.open("xb") as file:
            file.write(bytes(PROBE_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        text = f"Nothing can be written in {folder}, where the record is kept: {error.strerror or error}."
        return [
            Found("disk", "wrong", text, "Make room, or have `store: {url: ..}` name a folder that may be written.")
        ]
    finally:
        with suppress(OSError):
            beside.unlink()
    free = f"{free_mb / 1000:.1f} GB are free" if free_mb > FEW_MB else f"{free_mb:.0f} MB are free"
    if free_mb < LEAST_MB:
        return [Found("disk", "wrong", f"{what}, but only {free}.", "Make room: a sweep pauses on a full disk.")]
    if free_mb < FEW_MB:
        return [Found("disk", "note", f"{what}; {free}.", "Make room before long: a sweep pauses on a full disk.")]
    return [Found("disk", "ok", f"{what}; {free}.")]
