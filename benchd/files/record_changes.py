"""What has changed among records: their files, told by stamps, and what stands in them."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.files.records_folder import FOLDERS, Kind, Records

Stamp = tuple[int, int, int]
"""Of a file when it was changed (ns), its size, and its inode."""
Stamps = Mapping[str, Stamp]
"""By the path of each file."""


def stamp_of(file: Path | os.DirEntry[str]) -> Stamp | None:
    """Of this file; None where there is none."""
    try:
        stat = file.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_size, stat.st_ino


def stamps_of(folder: Path) -> Stamps:
    """Of every record below the folder; a part of it that is not there has none."""
    found: dict[str, Stamp] = {}
    for name in FOLDERS.values():
        with suppress(OSError), os.scandir(folder / name) as entries:
            records = [one for one in entries if one.name.endswith((".yaml", ".yml")) and one.name[0] != "."]
            stamps = {one.path: stamp_of(one) for one in records}
            found |= {path: stamp for path, stamp in stamps.items() if stamp is not None}  # it may just have gone
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
