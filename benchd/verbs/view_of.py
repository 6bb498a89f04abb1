"""A view of the bench, as it stands or as its files alone tell of it."""

from __future__ import annotations

from collections.abc import Mapping, Set
from functools import partial
from typing import TYPE_CHECKING, Any

from benchd.bench.asked_for import CARRIAGE, device_for
from benchd.bench.assembly import Assembly
from benchd.bench.chain import Chain
from benchd.bench.clearance import Clearance, Parts, parts_of
from benchd.bench.glass_residual import asked_of_glass
from benchd.bench.motion_figures import HOMING_BEYOND_UM, MotionFigures
from benchd.bench.setup import SETTABLE, SetupDocument
from benchd.bench.sweeper import DEFAULT_LP_MM
from benchd.devices import Axis, Camera
from benchd.files.records_folder import Records
from benchd.optics.focus_depth import half_width_um
from benchd.verbs.view import BenchView, Where, Whereabouts

if TYPE_CHECKING:
    from benchd.bench.bench import Bench

POINT_S = 0.15
SEEK_S = 3.0
"""The slow part of homing: off the switch, and on to the reference mark."""


async def view_of(bench: Bench, *, with_place: bool = True) -> BenchView:
    """The bench as it stands; where the carriage does is looked at only where that is asked for."""

    def where(changes: Mapping[str, Any]) -> Whereabouts:
        setup = bench.setup
        document, chain = setup.preview(changes) if changes else (setup.document, setup.chain)
        return whereabouts(bench.loaded.records, document, chain, setup.clearance_of(document))

    return figures(
        bench.assembly,
        bench.loaded.records,
        settle_ms=bench.file.motion.settle_ms,
        calibrations=set(bench.setup.calibrated_artefacts),
        homed=bench.trust.homed,
        stale=bench.setup.document.stale,
        carriage_um=await bench.carriage.here() if with_place else None,
        where=where,
        limits_um=bench.carriage.limits_um,
        rear_seen=bench.setup.rear_seen,
        not_homed_why=bench.trust.why,
        rev=bench.setup.document.rev,
    )


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
    carriage_um: float | None,
    where: Where,
    limits_um: tuple[float, float],
    rear_seen: Mapping[Parts, float] | None = None,
    not_homed_why: str | None = None,
    rev: int = 0,
) -> BenchView:
    """What a dry run has to know, by what the devices can do; `limits_um` is where the carriage may be sent."""
    spec = assembly.named(CARRIAGE, Axis).spec
    approach_um = MotionFigures(spec.top_speed).approach_um
    return BenchView(
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
        not_homed_why=not_homed_why,
        rev=rev,
        rear_seen=rear_seen or {},
        device_for=partial(device_for, assembly),
        has_camera=assembly.in_role("detector", Camera) is not None,
        asked_of_glass=partial(asked_of_glass, records=records),
    )
