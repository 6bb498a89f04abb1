"""What the tests of the chain begin with: the shipped benches, a calibrated base, an exact scale, one set-up."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from benchd.arrangements.setup_document import apply, first_setup
from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, datum_chain
from benchd.files.loading import LoadedBench

CONFIGS = Path(__file__).parents[3] / "configs"
EXACT = ScaleRecord(u_scale=0.0, subdivision_um=0.0, alpha_per_K=None)
BASE = {"bench-zero": CalibrationInForce("cal-7", "bench-zero", 24000.0, 1.0)}
FITTED: dict[str, Any] = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "temperature_C": 20.0}


def chain_of(
    bench: LoadedBench, in_force: dict[str, CalibrationInForce] = BASE, scale: ScaleRecord = EXACT, **changes: Any
) -> Chain:
    """The chain of the usual set-up with `changes`."""
    setup = apply(first_setup(bench.file), FITTED | changes, bench.records, bench.file)
    return datum_chain(bench.file, bench.records, setup, in_force, scale)
