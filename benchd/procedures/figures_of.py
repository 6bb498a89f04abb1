"""What a dry run has to know, read off the bench as it stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.bench import CARRIAGE, Bench
from benchd.devices import Axis
from benchd.optics.focus_depth import half_width_um
from benchd.procedures.bench_figures import BenchFigures, Whereabouts

DEFAULT_LP_MM = 40.0
POINT_S = 0.15


async def figures_of(bench: Bench) -> BenchFigures:
    """Speeds, settling, what is there, and where set-ups put nominal."""
    spec = bench.assembly.named(CARRIAGE, Axis).spec
    here = (await bench.carriage.read()).value
    public = {bench.assembly.public_name(name) for name in bench.assembly.devices}

    def where(changes: Mapping[str, Any]) -> Whereabouts:
        document, chain = bench.setup.preview(changes)
        f_number = document.f_number
        if f_number is None and document.lens is not None:
            f_number = bench.loaded.records.lens(document.lens).f_number
        half_width = None if f_number is None else half_width_um(f_number, DEFAULT_LP_MM)
        depth_zero = chain.depth_at_zero_um / (1.0 + chain.scale_growth)
        return Whereabouts(chain.carriage_um, depth_zero, half_width)

    return BenchFigures(
        devices=public,
        calibrations=set(bench.setup.calibrated_artefacts),
        travel_um=(spec.low, spec.high),
        top_speed_um_s=spec.top_speed,
        acceleration_um_s2=spec.acceleration,
        settle_s=bench.file.motion.settle_ms / 1000.0,
        point_s=POINT_S,
        home_s=(spec.high - spec.low) / spec.top_speed + 3.0,
        homed=bench.trust.homed,
        carriage_um=here,
        where=where,
    )
