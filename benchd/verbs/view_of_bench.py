"""Make a view of the bench, from its present state or from its files alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from contextlib import suppress
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.registry import curve_width
from benchd.arrangements.setup_document import SETTABLE, SetupDocument
from benchd.bench.assembly import Assembly
from benchd.bench.datum.chain import Chain
from benchd.bench.datum.clearance import Clearance, Parts, parts_of
from benchd.bench.datum.glass_residual import glass_question_text
from benchd.bench.motion.figures import HOMING_BEYOND_UM, MotionFigures
from benchd.bench.requests import CARRIAGE, check_continuous, device_for
from benchd.bench.rings.turner import Turner
from benchd.detectors.available import AvailableDetectors
from benchd.detectors.detector import DEFAULT_LP_MM
from benchd.devices import Axis, DeviceError
from benchd.files.bench_file import Target
from benchd.files.records_folder import Records
from benchd.optics.focus_depth import half_width_um
from benchd.verbs.turning import RingView
from benchd.verbs.view import BenchView, SetupPlaces, Where

if TYPE_CHECKING:
    from benchd.bench.bench import Bench

SEEK_S = 3.0
"""Duration of the slow part of homing: off the switch, and on to the reference mark."""


async def view_bench(bench: Bench, *, with_place: bool = True, with_motion: bool = True) -> BenchView:
    """The bench in its present state.

    Carriage position and speeds are included only where asked for: a verb that moves nothing must not fail because the
    carriage is offline or its driver fails.
    """
    setup = bench.setup

    def where_from(document: SetupDocument, chain: Chain) -> Where:
        def where(changes: Mapping[str, Any]) -> SetupPlaces:
            after = setup.preview(changes, since=(document, chain)) if changes else (document, chain)
            limit = setup.clearance_of(after[0])
            return places_of_setup(bench.loaded.records, *after, limit, where_from(*after))

        return where

    view = view_without_motion(
        bench.assembly,
        bench.loaded.records,
        setup.arrangement,
        bench.detectors,
        calibrations=set(setup.calibrated_artefacts),
        homed=bench.trust.homed,
        stale=setup.document.stale,
        carriage_um=await bench.carriage.here() if with_place else None,
        where=where_from(setup.document, setup.chain),
        rear_confirmed_um=setup.rear_confirmed_um,
        not_homed_why=bench.trust.why,
        rev=setup.document.rev,
        target=bench.file.target,
        counts_with=setup.knows,
    )
    if not with_motion:
        return view
    limits_um, settle_ms = bench.carriage.limits_um, bench.file.motion.settle_ms
    view = replace(view, rings={role: await _ring(turner) for role, turner in bench.turners.items()})
    return add_carriage_motion(view, bench.assembly, settle_ms=settle_ms, limits_um=limits_um)


async def _ring(turner: Turner) -> RingView:
    """One that is offline has no angle; an unhomed one's decides nothing."""
    here = None
    if turner.trust.homed and turner.barred is None:
        with suppress(DeviceError):
            here = (await turner.read()).value
    return RingView(turner.turns, turner.trust.homed, turner.trust.why, here, turner.placed_deg)


def places_of_setup(
    records: Records, setup: SetupDocument, chain: Chain, limit: Clearance, after: Where | None = None
) -> SetupPlaces:
    """The positions of a set-up with this chain, its curve width and clearance.

    `after` gives the same after further changes.
    """
    f_number = setup.f_number
    if f_number is None and setup.lens is not None:
        f_number = records.lens(setup.lens).f_number
    half_width: float | None = None
    if f_number is not None:
        half_width = curve_width(setup.arrangement) * half_width_um(f_number, DEFAULT_LP_MM)
    return SetupPlaces(
        chain.places,
        half_width,
        trim_um=chain.trim_um,
        u_um=chain.u_um,
        limit=limit,
        parts=parts_of(setup),
        setup=setup.model_dump(mode="json", include=set(SETTABLE)),
        after=after,
    )


def view_without_motion(
    assembly: Assembly,
    records: Records,
    arranged: Arrangement,
    detectors: AvailableDetectors,
    *,
    calibrations: Set[str],
    homed: bool,
    stale: bool,
    carriage_um: float | None,
    where: Where,
    not_homed_why: str | None,
    rear_confirmed_um: Mapping[Parts, float] | None = None,
    rev: int = 0,
    target: Target | None = None,
    counts_with: Callable[[str], bool],
) -> BenchView:
    """A bench from its files and the state stated here; speeds and times of motion are missing (NaN)."""
    return BenchView(
        devices={assembly.public_name(name) for name in assembly.devices},
        calibrations=calibrations,
        homed=homed,
        stale=stale,
        carriage_um=carriage_um,
        where=where,
        detector_for=detectors.chosen,
        check_continuous=partial(check_continuous, assembly),
        not_homed_why=not_homed_why,
        rev=rev,
        rear_confirmed_um=rear_confirmed_um or {},
        device_for=partial(device_for, assembly),
        records=records,
        moves_target=arranged.moves_target,
        arrangement=arranged,
        target=target,
        counts_with=counts_with,
        glass_question_text=partial(glass_question_text, records=records),
    )


def add_carriage_motion(
    view: BenchView, assembly: Assembly, *, settle_ms: float, limits_um: tuple[float, float]
) -> BenchView:
    """Add speeds and times of the carriage; `limits_um` is its travel. Raises what its driver raises."""
    spec = assembly.named(CARRIAGE, Axis).spec
    approach_um = MotionFigures(spec.top_speed).approach_um
    return replace(
        view,
        travel_um=limits_um,
        top_speed_um_s=spec.top_speed,
        acceleration_um_s2=spec.acceleration,
        settle_s=settle_ms / 1000.0,
        home_s=(spec.high - spec.low) / spec.top_speed + SEEK_S,
        run_up_um=-approach_um if spec.approach == "from_below" else approach_um,
        home_um=spec.low - HOMING_BEYOND_UM,
    )
