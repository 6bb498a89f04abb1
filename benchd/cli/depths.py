"""The list of depths beside a folder of pictures: a CSV of `file,depth_um`, held against what is in the folder."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator
from pathlib import Path

from benchd.files.problems import FileProblems, Problem

COLUMNS = ("file", "depth_um")
PICTURES = frozenset({".png", ".jpg", ".jpeg", ".tif", ".tiff"})
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")


def depths_in(place: Path, folder: Path) -> list[tuple[Path, float]]:
    """The pictures in the order of their lines, each with its depth (um).

    Raises FileProblems with all that is wrong: what is listed and not there, there and not listed, listed twice, or of
    no depth.
    """
    try:
        there = {one.name for one in folder.iterdir() if one.is_file()}
        with place.open(encoding="utf-8-sig", newline="") as file:
            lines = list(_lines(csv.reader(file, strict=True)))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        why = (error.strerror if isinstance(error, OSError) else None) or str(error)
        wrong = str(getattr(error, "filename", None) or place)
        raise FileProblems([Problem(wrong, 0, 0, "", "", f"it cannot be read: {why}")]) from error
    if not lines or sorted(lines[0][1]) != sorted(COLUMNS):
        stands = ",".join(lines[0][1]) if lines else ""
        wanted = f"the columns {','.join(COLUMNS)}, named so in the first line"
        raise FileProblems([Problem(str(place), 1, 1, "", stands, wanted)])
    name_at = lines[0][1].index("file")
    found: list[tuple[Path, float]] = []
    problems: list[Problem] = []
    listed: dict[str, int] = {}
    for line, cells in lines[1:]:
        if len(cells) != len(COLUMNS):
            wrong_line = "one file and its depth, a comma between, a point in the number"
            problems.append(Problem(str(place), line, 1, "", ",".join(cells), wrong_line))
            listed.update((cell, line) for cell in cells)
            continue
        name, depth = cells[name_at], cells[1 - name_at]
        if name in listed:
            problems.append(Problem(str(place), line, 1, "file", name, f"each once; it is in line {listed[name]}"))
        elif name not in there:
            problems.append(Problem(str(place), line, 1, "file", name, f"a file in {folder}, where there is none"))
        listed.setdefault(name, line)
        if _NUMBER.fullmatch(depth) is None or not math.isfinite(float(depth)):
            problems.append(Problem(str(place), line, 1, "depth_um", depth, "a finite number of µm"))
        else:
            found.append((folder / name, float(depth)))
    problems += [
        Problem(str(folder / name), 0, 0, "", "", f"a picture without a depth: list it in {place}, or move it away")
        for name in sorted(there - listed.keys())
        if Path(name).suffix.lower() in PICTURES
    ]
    if problems:
        raise FileProblems(problems)
    return found


def _lines(reader: Iterator[list[str]]) -> Iterator[tuple[int, list[str]]]:
    """Each line that says something, with its number."""
    for cells in reader:
        if any(cell.strip() for cell in cells):
            yield getattr(reader, "line_num", 0), [cell.strip() for cell in cells]
