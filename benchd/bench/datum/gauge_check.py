"""Whether a gauge reads what the carriage under its tip has moved: which way it counts, and by what gain.

Lengths by gauge hang on both. A gauge that counts the other way than stated gives a zero that is off by twice what it
reads, and nothing else would show it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchd.bench.datum.position_terms import ScaleRecord, place_terms
from benchd.devices import Gauge, GaugeSpec
from benchd.errors import Refused
from benchd.metrology.budget import standard_u
from benchd.records.values import ReadingRow

if TYPE_CHECKING:
    from benchd.bench.bench import Bench


SURE = 4.0
"""From so many standard uncertainties apart two figures contradict each other: by chance once in 16,000."""


class GaugeDoesNotFollow(Refused):
    """A gauge does not read what it would if it stood as asked: whoever is at the bench may seat it again."""


def earlier(before: Sequence[ReadingRow], device: str) -> ReadingRow:
    """The last of `before`, to hold another reading against. Raises Refused('bad_request') where that shows nothing."""
    if not before or before[-1].device != device:
        raise Refused("bad_request", f"There is no earlier reading of {device} to hold this one against.")
    return before[-1]


def check_moved(bench: Bench, before: ReadingRow, now: ReadingRow) -> None:
    """Hold a reading against one taken by the same gauge at another place of the carriage.

    Raises Refused('bad_request') where it was not moved far enough to show anything, StandsWrong where it does not
    follow, Refused('device_fault') where it counts the other way than the bench file states.
    """
    gauge = bench.assembly.named(now.device, Gauge).spec
    moved = (now.carriage_um or 0.0) - (before.carriage_um or 0.0)
    refusal = contradiction(gauge, bench.scale, moved, (now.value or 0.0) - (before.value or 0.0), now.device)
    if refusal is not None:
        raise refusal


def sign_of(gauge: GaugeSpec) -> float:
    """1 where the reading grows as the tip reaches deeper, else -1."""
    return -1.0 if gauge.grows == "shallower" else 1.0


def contradiction(
    gauge: GaugeSpec, scale: ScaleRecord | None, moved_um: float, more_um: float, name: str
) -> Refused | None:
    """What is wrong where the carriage went `moved_um` deeper and the gauge reads `more_um` more; else None."""
    # Where nothing is stated of the position its steps may be anything: the direction shows all the same.
    at_a_place = [term.u_um for term in place_terms(scale)] if scale else [0.1 * abs(moved_um) / SURE]
    u_um = math.sqrt(2.0) * math.hypot(standard_u(0.5 * gauge.resolution_um, "rectangular"), *at_a_place)
    loose = SURE * u_um + (gauge.hysteresis_um or 0.0)
    if abs(moved_um) <= 3.0 * loose:
        return Refused(
            "bad_request",
            f"The carriage has moved by {moved_um:.1f} µm, which shows nothing of {name}: it and the position may be "
            f"off by {loose:.1f} µm.",
            advice="Move it farther, within the gauge's range.",
        )
    told = f"The carriage went {_way(moved_um)} by {abs(moved_um):.1f} µm and {name} reads {more_um:+.1f} µm more"
    told = told.replace("+-", "-")
    as_stated = sign_of(gauge) * more_um
    off = abs(as_stated - moved_um)
    allowed = loose + SURE * (gauge.u_gain or 0.0) * abs(moved_um)
    if off <= allowed:
        return None
    if abs(as_stated + moved_um) <= allowed:
        other = "shallower" if gauge.grows == "deeper" else "deeper"
        return Refused(
            "device_fault",
            f"{told}: it counts the other way than its `grows: {gauge.grows}` says.",
            advice=f"Write `grows: {other}` at it in the bench file, start benchd again, and measure anew.",
        )
    return GaugeDoesNotFollow(
        "device_fault",
        f"{told}: that is {as_stated / moved_um:.3g} of the way, where it may err by {allowed:.1f} µm.",
        advice="See that the tip rests on the target and the bridge stands firmly; else check `um_per_unit`, `u_gain` "
        "and `hysteresis_um` of the gauge, and `um_per_unit` of the position, in the bench file.",
    )


def _way(moved_um: float) -> str:
    return "deeper" if moved_um > 0 else "shallower"
