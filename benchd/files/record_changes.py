"""What has changed among records: their files, told by stamps, and what stands in them."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.files.records_folder import FOLDERS, Kind, Records

Stamps = Mapping[Path, tuple[int, int, int]]
"""Of each file when it was changed (ns), its size, and its inode."""


def stamps_of(folder: Path) -> Stamps:
    """Of every record below the folder; a part of it that is not there has none."""
    found: dict[Path, tuple[int, int, int]] = {}
    for name in FOLDERS.values():
        with suppress(OSError), os.scandir(folder / name) as entries:
            for entry in entries:
                if entry.name.endswith((".yaml", ".yml")) and not entry.name.startswith("."):
                    with suppress(OSError):  # a file that has just gone
                        stat = entry.stat()
                        found[Path(entry.path)] = (stat.st_mtime_ns, stat.st_size, stat.st_ino)
    return found


@dataclass(frozen=True, slots=True)
class Change:
    """One record that is not as it was; `how` is `new`, `gone`, or the keys that have changed."""

    kind: Kind
    record_id: str
    how: str
    was: Mapping[str, Any] = field(default_factory=dict)
    """The keys that have changed, with their values before and `now`, as JSON."""
    now: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        what = f"{self.kind} {self.record_id}"
        return f"{what} is {self.how}" if self.how in ("new", "gone") else f"{what} was changed ({self.how})"


def differences(before: Records, after: Records) -> list[Change]:
    """What has changed, in the order of kinds and ids; a change of comments alone is none."""
    found = []
    for kind in FOLDERS:
        old, new = before.of(kind), after.of(kind)
        for record_id in sorted({*old, *new}):
            if record_id not in old:
                found.append(Change(kind, record_id, "new"))
            elif record_id not in new:
                found.append(Change(kind, record_id, "gone"))
            elif old[record_id] != new[record_id]:
                was, now = (record.model_dump(mode="json") for record in (old[record_id], new[record_id]))
                keys = [key for key in now if was[key] != now[key]]
                found.append(
                    Change(
                        kind,
                        record_id,
                        ", ".join(keys),
                        {key: was[key] for key in keys},
                        {key: now[key] for key in keys},
                    )
                )
    return found
