"""Which angles the set-up asks of the rings of its lens, by the engravings in the lens's record."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from benchd.arrangements.setup_document import RingMark, SetupDocument
from benchd.errors import Refused
from benchd.files.records_folder import Records

FOCUS, IRIS = "focus_ring", "iris_ring"


def angles_of(document: SetupDocument, records: Records, roles: Collection[str]) -> dict[str, float]:
    """The same of a set-up document."""
    ring = document.ring.model_dump() if isinstance(document.ring, RingMark) else document.ring
    return angles_for(document.lens, ring, document.f_number, records, roles)


def angles_for(
    lens: str | None,
    ring: Any,
    f_number: float | None,
    records: Records,
    roles: Collection[str],
    *,
    stated: Collection[str] | None = None,
) -> dict[str, float]:
    """The angle (deg) of each ring that an axis turns, by role: of a lens whose record says where its marks stand.

    `ring` is as in the set-up document, `roles` those that an axis has; with `stated` only of what these keys say.
    Raises Refused: `not_found` for a mark that stands at no known angle, `bad_request` for the ring's own stop.
    """
    if lens is None:
        return {}
    record, found, turned = records.lens(lens), {}, turned_rings(lens, ring, records, roles)
    if FOCUS in turned and _says("ring", stated):
        if ring == "hard_stop":
            raise Refused(
                "bad_request",
                "A motor does not turn the ring into its stop: it would lose steps there, or bend something.",
                advice="Ask for `infinity` or a mark; or take the role focus_ring out and turn it by hand.",
            )
        mark = ring["mark"] if isinstance(ring, Mapping) else "inf"
        found[FOCUS] = _angle(lens, "focus", mark, {one.mark: one.deg for one in record.ring_marks.focus})
    if IRIS in turned and _says("f_number", stated):
        stop = record.f_number if f_number is None else f_number
        found[IRIS] = _angle(lens, "iris", stop, {one.mark: one.deg for one in record.ring_marks.iris})
    return found


def turned_rings(lens: str | None, ring: Any, records: Records, roles: Collection[str]) -> Collection[str]:
    """The rings that an axis turns, by role: nobody has to. A ring that the set-up leaves free is nobody's to turn."""
    if lens is None:
        return ()
    marks = records.lens(lens).ring_marks
    marked = {FOCUS: bool(marks.focus) and ring not in (None, "free"), IRIS: bool(marks.iris)}
    return [role for role, known in marked.items() if known and role in roles]


def _says(key: str, stated: Collection[str] | None) -> bool:
    return stated is None or key in stated


def _angle(lens: str, ring: str, mark: float | str, marks: Mapping[Any, float]) -> float:
    if mark in marks:
        return marks[mark]
    known = ", ".join(f"{one:g}" if isinstance(one, float) else str(one) for one in marks)
    raise Refused(
        "not_found",
        f"The record of lens {lens} does not say at which angle its {ring} ring stands at {mark}.",
        advice=f"It says so of {known}; add this one under `ring_marks.{ring}`.",
        data={"lens": lens, "ring": ring, "mark": mark},
    )


def not_turned(role: str, angle_deg: float, placed_deg: float | None) -> Refused:
    """The refusal of what goes by a ring that stands elsewhere than the set-up says."""
    stands = "nobody has driven it since" if placed_deg is None else f"it was driven to {placed_deg:.2f}°"
    return Refused(
        "not_driven",
        f"The set-up wants {role} at {angle_deg:.2f}°, and {stands}.",
        advice="Go to nominal first: what turns goes where the set-up says, then the carriage.",
        data={"axis": role, "wanted_deg": angle_deg, "placed_deg": placed_deg},
    )
