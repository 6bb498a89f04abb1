"""A sweep by itself, as the procedure it is run and recorded as: sweep, then assess."""

from __future__ import annotations

from benchd.bench.sweep_data import SweepOrder
from benchd.procedures.language import Procedure
from benchd.procedures.progress import Expected

EXPECTED: Expected = ([("sweep", 30.0)], [("assess", 1.0)])
"""Of its two steps."""


def sweep_alone(order: SweepOrder) -> Procedure:
    """What a sweep that somebody orders comes to."""
    step = {"about": order.about, "merit": order.merit, "repeats": order.repeats, "mode": order.mode}
    left_to_bench = {key: getattr(order, key) for key in ("span_um", "step_um", "lp_mm")}
    step |= {key: value for key, value in left_to_bench.items() if value is not None}
    steps = [{"sweep": step}, {"assess": {"name": "flange"}}]
    return Procedure.of({"procedure": "sweep", "title": "Sweep", "steps": steps})
