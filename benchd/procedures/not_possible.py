"""What a step asks for that this bench cannot do at all, wherever it stands: told before anything moves."""

from __future__ import annotations

from collections.abc import Container, Iterator
from typing import Any

from benchd.bench.asked_for import CALIBRATE, by_degrees, calibrates_nothing, check_of, check_sweep, no_camera
from benchd.errors import Refused
from benchd.procedures.bench_figures import BenchFigures
from benchd.procedures.steps import Step

_NAMES = {"move": "axis", "light": "light", "read": "device", "camera": "camera"}
"""Where a step says which device it means; `home` has a list of them."""


def not_possible(step: Step, bench: BenchFigures, opened: Container[str]) -> Refused | None:
    """As the bench would refuse it; None where it would not, as far as what is not `opened` tells."""
    args: Any = step.args
    try:
        for key, name in _named(step):
            if key not in opened:
                bench.device_for(step.verb, name)
        if step.verb == "move" and any(getattr(args, key) is not None for key in ("to_deg", "by_deg")):
            raise by_degrees()
        if step.verb == "sweep":
            # What is opened has been left out, so that its default stands there, which nobody refuses.
            check_sweep(args.mode, args.merit)
            if not bench.has_camera:
                raise no_camera()
        if step.verb == "assess" and "of" not in opened:
            check_of(args.name, args.of)
        if step.verb == "accept" and args.finding not in CALIBRATE:
            raise calibrates_nothing(f"A finding of {args.finding}")
    except Refused as refused:
        return refused
    return None


def _named(step: Step) -> Iterator[tuple[str, str]]:
    if step.verb == "home":
        yield from (("axes", str(axis)) for axis in step.args.axes)
    elif step.verb in _NAMES:
        yield _NAMES[step.verb], str(getattr(step.args, _NAMES[step.verb]))
