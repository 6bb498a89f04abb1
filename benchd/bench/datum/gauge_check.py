"""Check that a gauge follows the carriage under its tip, with the stated sign and gain.

Lengths by gauge depend on both. A gauge of the opposite sign gives a zero that is off by twice its reading, and nothing
else would show it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchd.bench.datum.position_terms import ScaleRecord, place_terms
from benchd.devices import GaugeSpec
from benchd.errors import Refused
from benchd.metrology.budget import standard_u
from benchd.records.values import ReadingRow

CONTRADICTION_U = 4.0
"""Two figures that differ by so many standard uncertainties contradict each other: by chance once in 16,000."""


class GaugeDoesNotFollow(Refused):
    """A gauge does not read what it should; the person at the bench may seat it again."""


def reading_to_compare(before: Sequence[ReadingRow], device: str) -> ReadingRow:
    """The last of `before`, for a comparison. Raises Refused('bad_request') if it is of another device."""
    if not before or before[-1].device != device:
        raise Refused("bad_request", f"There is no earlier reading of {device} to hold this one against.")
    return before[-1]


def check_moved(gauge: GaugeSpec, scale: ScaleRecord | None, before: ReadingRow, now: ReadingRow) -> None:
    """Compare a reading with one taken by the same gauge at another carriage position.

    Raises Refused('bad_request') if it was not moved far enough to show anything, GaugeDoesNotFollow if the gauge does
    not follow, Refused('device_fault') if it counts the other way than the bench file states.
    """
    moved = (now.carriage_um or 0.0) - (before.carriage_um or 0.0)
    refusal = contradiction(gauge, scale, moved, (now.value or 0.0) - (before.value or 0.0), now.device)
    if refusal is not None:
        raise refusal


def sign_of(gauge: GaugeSpec) -> float:
    """1 if the reading grows as the tip reaches deeper, else -1."""
    return -1.0 if gauge.grows == "shallower" else 1.0


def contradiction(
    gauge: GaugeSpec, scale: ScaleRecord | None, moved_um: float, more_um: float, name: str
) -> Refused | None:
    """What is wrong if the carriage went `moved_um` deeper and the gauge reads `more_um` more; None if it agrees."""
    # If the position's errors are not stated, allow for a large one: the direction shows all the same.
    at_a_place = [term.u_um for term in place_terms(scale)] if scale else [0.1 * abs(moved_um) / CONTRADICTION_U]
    u_um = math.sqrt(2.0) * math.hypot(standard_u(0.5 * gauge.resolution_um, "rectangular"), *at_a_place)
    loose = CONTRADICTION_U * u_um + (gauge.hysteresis_um or 0.0)
    if abs(moved_um) <= 3.0 * loose:
        return Refused(
            "bad_request",
            f"The carriage has moved by {moved_um:.1f} µm, which shows nothing of {name}: it and the position may be "
            f"off by {loose:.1f} µm.",
            advice="Move it farther, within the gauge's range.",
        )
    observed = f"The carriage went {_way(moved_um)} by {abs(moved_um):.1f} µm and {name} reads {more_um:+.1f} µm more"
    observed = observed.replace("+-", "-")
    as_stated = sign_of(gauge) * more_um
    off = abs(as_stated - moved_um)
    allowed = loose + CONTRADICTION_U * (gauge.u_gain or 0.0) * abs(moved_um)
    if off <= allowed:
        return None
    if abs(as_stated + moved_um) <= allowed:
        other = "shallower" if gauge.grows == "deeper" else "deeper"
        return Refused(
            "device_fault",
            f"{observed}: it counts the other way than its `grows: {gauge.grows}` says.",
            advice=f"Write `grows: {other}` at it in the bench file, start benchd again, and measure anew.",
        )
    return GaugeDoesNotFollow(
        "device_fault",
        f"{observed}: that is {as_stated / moved_um:.3g} of the way, where it may err by {allowed:.1f} µm.",
        advice="See that the tip rests on the target and the bridge stands firmly; else check `um_per_unit`, `u_gain` "
        "and `hysteresis_um` of the gauge, and `um_per_unit` of the position, in the bench file.",
    )


def _way(moved_um: float) -> str:
    return "deeper" if moved_um > 0 else "shallower"
