"""The magnification from wall to target by two marks on the wall, seen in the camera's picture beside the square.

Marks and square are on one wall: m = pitch of the target / (distance of the marks / their distance in sides of the
square). No tape is held, and nothing of the camera enters.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from benchd.arrangements.wall import Wall
from benchd.detectors.detector import AUTO
from benchd.errors import Refused
from benchd.files.bench_file import Target

if TYPE_CHECKING:
    from benchd.arrangements.arrangement import Arrangement
    from benchd.bench.bench import Bench


def marks_of(arrangement: Arrangement) -> tuple[float, float] | None:
    """Distance of the marks and its standard uncertainty (mm), as the bench file states them; None without."""
    config = arrangement.config
    if not isinstance(config, Wall.Config) or config.marks_apart_mm is None or config.u_marks_apart_mm is None:
        return None
    return config.marks_apart_mm, config.u_marks_apart_mm


def require_marks(arrangement: Arrangement) -> tuple[float, float]:
    """The same. Raises Refused('bad_request')."""
    found = marks_of(arrangement)
    if found is None:
        raise Refused(
            "bad_request",
            "The bench file states no marks on the wall.",
            advice="Stick two dark round marks on the wall, and state how far apart: `arrangement: {kind: wall, "
            "marks_apart_mm: 220.0, u_marks_apart_mm: 0.1}`.",
        )
    return found


def common_u_rel(target: Target, marks: tuple[float, float]) -> float:
    """The relative u that every m by the same marks and target shares: of the target's pitch, and of the rule."""
    return math.hypot(target.u_pitch_mm / target.pitch_mm, marks[1] / marks[0])


async def magnification(bench: Bench, pictures: int) -> dict[str, Any]:
    """m and its standard uncertainty, by so many pictures where the carriage stands. Raises Refused, BenchdError."""
    apart_mm, u_apart_mm = require_marks(bench.setup.arrangement)
    detector = bench.detectors.chosen(AUTO, None).detector
    in_sides, u_rel = await detector.marks(pictures)
    value = bench.file.target.pitch_mm * in_sides / apart_mm
    u = value * math.hypot(u_rel, common_u_rel(bench.file.target, (apart_mm, u_apart_mm)))
    return {"value": value, "u": u, "by": "marks"}
