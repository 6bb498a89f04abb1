"""Rear clearance: target, glass and rear element must stay clear of each other; checked before motions and changes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchd.arrangements.setup_document import Ring, SetupDocument
from benchd.errors import Refused
from benchd.files.artefacts import full_thickness_mm
from benchd.files.bench_file import BenchFile
from benchd.files.records_folder import Records

SPARE_UM, NAMED_UM = 10.0, 100.0
"""The depth in a question to a person is a little less than the carriage reaches, in whole tenths of a millimetre."""

Parts = tuple[str | None, tuple[str, ...], tuple[str, ...], Ring | None]
"""Lens, adapters, glass and ring: a person's confirmation of rear clearance holds for this combination only, as the
rear of many lenses moves with the ring."""


@dataclass(frozen=True, slots=True)
class Clearance:
    """The least depth that a set-up allows, and the clearance in it (um).

    `least_depth_um` is None if nothing limits it (no lens). If the record does not say how far the lens reaches back,
    `question` is the beginning of the question to a person, and the least depth is the confirmed one, None if none was.
    """

    least_depth_um: float | None
    clearance_um: float
    question: str | None = None
    advice: str = ""


def parts_of(setup: SetupDocument) -> Parts:
    """The combination that an answer about rear clearance holds for."""
    return setup.lens, setup.adapters, setup.glass, setup.ring


def clearance(bench_file: BenchFile, records: Records, setup: SetupDocument) -> Clearance:
    """Rear protrusion + full thickness of the plates and the target's cover, air in them included + clearance.

    Raises Refused('unknown_name').
    """
    keep = bench_file.motion.clearance_um
    if setup.lens is None:
        return Clearance(None, keep)
    lens = records.lens(setup.lens)
    if lens.rear_protrusion_mm is None:
        glass = f"glass {', '.join(setup.glass)} and " if setup.glass else ""
        question = (
            f"How far lens {lens.id} reaches behind its seat is not in its record. "
            f"Have you made sure that it stays clear of {glass}the target"
        )
        advice = f"Write rear_protrusion_mm into the record of lens {lens.id}, or run a procedure, which asks."
        return Clearance(None, keep, question, advice)
    plates_mm = sum(records.glass(name).thickness_mm for name in setup.glass)
    plates_mm += full_thickness_mm(bench_file.target.cover)
    # A rear element inside the mount gains nothing: plates are kept below the seat all the same.
    reach_mm = max(lens.rear_protrusion_mm, 0.0)
    remove = " or remove the glass" if setup.glass else ""
    return Clearance(
        1000.0 * (reach_mm + plates_mm) + keep,
        keep,
        advice=f"Check rear_protrusion_mm ({lens.rear_protrusion_mm:g}) of lens {lens.id}{remove}.",
    )


def depth_to_confirm_um(depth_um: float) -> float:
    """The depth in the question to a person, if the carriage is to go to `depth_um`."""
    return math.floor((depth_um - SPARE_UM) / NAMED_UM) * NAMED_UM


def rear_question(limit: Clearance, depth_um: float) -> str:
    """The whole question, for a depth from `depth_to_confirm_um`."""
    return f"{limit.question}, even with the target only {depth_um / 1000.0:.1f} mm behind the seat?"


def check_clearance(limit: Clearance, depth_um: float) -> None:
    """Refuse a depth that is too small, or that nobody has confirmed. Raises Refused('clearance')."""
    if limit.question is not None and (limit.least_depth_um is None or depth_um < limit.least_depth_um):
        asked = rear_question(limit, depth_to_confirm_um(depth_um))
        raise Refused("clearance", asked, advice=limit.advice, data={"question": True})
    if limit.least_depth_um is None or depth_um >= limit.least_depth_um:
        return
    free_mm = (depth_um - (limit.least_depth_um - limit.clearance_um)) / 1000.0
    room = f"{free_mm:.1f} mm between them" if free_mm > 0 else f"no room: {-free_mm:.1f} mm too little"
    raise Refused(
        "clearance",
        f"Rear element, glass and target would have {room}; {limit.clearance_um / 1000.0:g} mm is the least.",
        advice=limit.advice,
        data={"least_um": round(limit.least_depth_um, 1), "asked_um": round(depth_um, 1)},
    )


def check_way_to_switch(limit: Clearance, depth_um: float) -> None:
    """The same for homing, which goes below the travel. Raises Refused('clearance')."""
    try:
        check_clearance(limit, depth_um)
    except Refused as refused:
        if refused.data.get("question"):
            raise
        raise Refused(
            "clearance",
            f"On the way to the home switch: {refused.text}",
            advice="Take lens and glass off and say so in the set-up (lens null, glass null), then home.",
            data=refused.data,
        ) from None
