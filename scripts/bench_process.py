"""What the kernel says of a process: resident memory, time on a core, children (proc(5))."""

from __future__ import annotations

import os
from pathlib import Path

TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def resident_MB(pid: int) -> float:
    """VmRSS, in 10^6 bytes. Raises ProcessLookupError where the process is gone."""
    for line in _text(pid, "status").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) * 1024 / 1e6
    raise ProcessLookupError(pid)


def core_s(pid: int) -> float:
    """Time spent on a core so far, user and system together."""
    fields = _text(pid, "stat").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def children(pid: int) -> dict[int, str]:
    """Direct children with their command lines."""
    found = {}
    for folder in Path("/proc").iterdir():
        if not folder.name.isdecimal():
            continue
        try:
            parent = int(_text(int(folder.name), "stat").rpartition(")")[2].split()[1])
            if parent == pid:
                found[int(folder.name)] = _text(int(folder.name), "cmdline").replace("\0", " ").strip()
        except (ProcessLookupError, IndexError):
            continue  # it ended while it was looked at
    return found


def _text(pid: int, name: str) -> str:
    try:
        return (Path("/proc") / str(pid) / name).read_text(encoding="utf-8", errors="replace")
    except OSError:
        raise ProcessLookupError(pid) from None
