"""Processes that a test started, found by a mark in their environment, which every child inherits."""

from __future__ import annotations

import time
from collections.abc import Collection
from pathlib import Path


def marked(mark: str) -> dict[int, str]:
    """Living processes whose environment at their start held `mark`, by pid, with their command lines.

    Ended ones that nobody has waited for yet do not count.
    """
    found = {}
    wanted = mark.encode()
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            if wanted in (entry / "environ").read_bytes():
                command = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace").strip()
                found[int(entry.name)] = command
        except OSError:  # it has ended since, or is another user's
            continue
    return found


def gone(mark: str, staying: Collection[int] = (), patience_s: float = 1.0) -> dict[int, str]:
    """What is left with `mark` beside `staying` once all that is just ending had `patience_s`; empty when all went."""
    until = time.monotonic() + patience_s
    while True:
        left = {pid: command for pid, command in marked(mark).items() if pid not in staying}
        if not left or time.monotonic() > until:
            return left
        time.sleep(0.02)
