"""What procedures ask of records and of a set-up, alike for a bench that runs and for its files alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from functools import partial
from typing import Any

from benchd.bench.asked_for import CARRIAGE, device_for
from benchd.bench.assembly import Assembly
from benchd.bench.chain import CalibrationInForce, Chain
from benchd.bench.clearance import Clearance, Parts, parts_of
from benchd.bench.glass_residual import asked_of_glass
from benchd.bench.motion_figures import HOMING_BEYOND_UM, MotionFigures
from benchd.bench.setup import SETTABLE, SetupDocument
from benchd.bench.sweeper import DEFAULT_LP_MM
from benchd.devices import Axis, Camera
from benchd.errors import Refused
from benchd.files.artefacts import full_thickness_mm
from benchd.files.loading import LoadedBench
from benchd.files.records_folder import Records
from benchd.optics.focus_depth import half_width_um
from benchd.procedures.bench_figures import BenchFigures, Where, Whereabouts
from benchd.procedures.inputs import Known

POINT_S = 0.15
SEEK_S = 3.0
"""The slow part of homing: off the switch, and on to the reference mark."""


def known(records: Records) -> Known:
    """The ids of all records, by kind."""
    return {
        "lens": records.lenses,
        "adapter": records.adapters,
        "glass": records.glasses,
        "reference": records.references,
    }


def facts(
    loaded: LoadedBench, calibration: Callable[[str], CalibrationInForce | None], kind: str, name: str
) -> Mapping[str, Any]:
    """Figures of a record; a length by the calibration in force where there is one. Raises Refused."""
    records = loaded.records
    if kind == "lens":
        lens = records.lens(name)
        return {"f_number": lens.f_number, "focal_length_mm": lens.focal_length_mm.value}
    if kind == "glass":
        return {"thickness_mm": records.glass(name).thickness_mm}
    length = _length(records, calibration, kind, name)
    if kind == "reference":
        cover_um = 1000.0 * full_thickness_mm(loaded.file.target.cover)
        return {**length, "reach_um": length["length_um"] + cover_um}
    return length


def _length(
    records: Records, calibration: Callable[[str], CalibrationInForce | None], kind: str, name: str
) -> dict[str, float]:
    in_force = calibration(name)
    if in_force is not None:
        return {"length_um": in_force.value_um, "u_um": in_force.u_um}
    given = (records.adapter(name) if kind == "adapter" else records.reference(name)).given
    if given is None:
        raise Refused("bad_request", f"{name} has no length.", advice="Write it into its record.")
    return {"length_um": given.length_um, "u_um": given.u_um}


def whereabouts(records: Records, setup: SetupDocument, chain: Chain, limit: Clearance) -> Whereabouts:
    """Where a set-up with this chain puts nominal, how wide the curve is there, and what keeps the carriage away."""
    f_number = setup.f_number
    if f_number is None and setup.lens is not None:
        f_number = records.lens(setup.lens).f_number
    half_width = None if f_number is None else half_width_um(f_number, DEFAULT_LP_MM)
    return Whereabouts(
        chain.carriage_um,
        chain.depth_at_zero_um,
        half_width,
        trim_um=chain.trim_um,
        scale_growth=chain.scale_growth,
        limit=limit,
        parts=parts_of(setup),
        setup=setup.model_dump(mode="json", include=set(SETTABLE)),
    )


def figures(
    assembly: Assembly,
    records: Records,
    *,
    settle_ms: float,
    calibrations: Set[str],
    homed: bool,
    stale: bool,
    carriage_um: float,
    where: Where,
    limits_um: tuple[float, float],
    rear_seen: Mapping[Parts, float] | None = None,
) -> BenchFigures:
    """What a dry run has to know, by what the devices can do; `limits_um` is where the carriage may be sent."""
    spec = assembly.named(CARRIAGE, Axis).spec
    approach_um = MotionFigures(spec.top_speed).approach_um
    return BenchFigures(
        devices={assembly.public_name(name) for name in assembly.devices},
        calibrations=calibrations,
        travel_um=limits_um,
        top_speed_um_s=spec.top_speed,
        acceleration_um_s2=spec.acceleration,
        settle_s=settle_ms / 1000.0,
        point_s=POINT_S,
        home_s=(spec.high - spec.low) / spec.top_speed + SEEK_S,
        homed=homed,
        stale=stale,
        carriage_um=carriage_um,
        where=where,
        run_up_um=-approach_um if spec.approach == "from_below" else approach_um,
        home_um=spec.low - HOMING_BEYOND_UM,
        rear_seen=rear_seen or {},
        device_for=partial(device_for, assembly),
        has_camera=assembly.in_role("detector", Camera) is not None,
        asked_of_glass=partial(asked_of_glass, records=records),
    )
