"""What a dry run has to know, read off the bench as it stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.bench import Bench
from benchd.procedures.bench_figures import BenchFigures, Whereabouts
from benchd.procedures.of_records import figures, whereabouts


async def figures_of(bench: Bench) -> BenchFigures:
    """Speeds, settling, what is there, and where set-ups put nominal."""

    def where(changes: Mapping[str, Any]) -> Whereabouts:
        document, chain = bench.setup.preview(changes)
        return whereabouts(bench.loaded.records, document, chain, bench.setup.clearance_of(document))

    return figures(
        bench.assembly,
        bench.loaded.records,
        settle_ms=bench.file.motion.settle_ms,
        calibrations=set(bench.setup.calibrated_artefacts),
        homed=bench.trust.homed,
        stale=bench.setup.document.stale,
        carriage_um=(await bench.carriage.read()).value,
        where=where,
        limits_um=bench.carriage.limits_um,
        rear_seen=bench.setup.rear_seen,
    )
