"""Copies of the files as they last loaded without problems, offered when one is broken.

A truncated or corrupt file is named and refused, never repaired or replaced automatically: a person may compare the
copy and copy it back.
"""

from __future__ import annotations

from pathlib import Path

from benchd.files.loading import LoadedBench
from benchd.files.problems import FileProblems
from benchd.files.records_folder import FOLDERS
from benchd.files.whole_file import write_whole

LAST_GOOD = ".last-good"
"""The folder beside the bench file with copies of the files as they last loaded without problems."""


def keep_good(loaded: LoadedBench, folder: Path) -> None:
    """Keep the text of the bench file and of every record, as loaded, under `folder`. Raises OSError.

    A copy is complete or absent at any moment; an identical one is not written again.
    """
    for source in [loaded.source, *loaded.records.sources.values()]:
        copy = _copy_of(source.path, folder)
        raw = source.text.encode("utf-8")
        if not copy.exists() or copy.read_bytes() != raw:
            write_whole(copy, raw)


def with_copies(error: FileProblems, folder: Path) -> FileProblems:
    """The same problems, with the copies that exist for the files concerned as advice."""
    files = dict.fromkeys(problem.file for problem in error.problems)
    copies = {file: copy for file in files if (copy := _copy_of(Path(file), folder)).is_file()}
    if not copies:
        return error
    offered = "; ".join(f"{file}: {copy}" for file, copy in copies.items())
    advice = f"Copies from when they last loaded well, to compare or to copy back: {offered}."
    return FileProblems(error.problems, advice=f"{error.advice} {advice}".strip())


def _copy_of(path: Path, folder: Path) -> Path:
    # A record's copy keeps the folder name of its kind, so that an adapter and a lens of one name do not collide.
    if path.parent.name in FOLDERS.values():
        return folder / path.parent.name / path.name
    return folder / path.name
