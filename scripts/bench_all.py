"""How fast and how light: every figure beside its target, measured as ratios within one run.

The bench is simulated at pace 1, so that times are those of real hardware of the same speed; broker, daemon, ports
and files are the real ones. Machines are busy with other things: what counts are the ratios, and the load is told.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

from rich.console import Console

import bench_continuous
import bench_crowd
import bench_edges
import bench_latency
import bench_modbus
import bench_start
import bench_sweep
from bench_figure import Figure, keep, machine, show

PARTS: dict[str, Callable[[], list[Figure]]] = {
    "start": bench_start.measure,
    "edges": bench_edges.measure,
    "latency": bench_latency.measure,
    "crowd": bench_crowd.measure,
    "modbus": bench_modbus.measure,
    "sweep": bench_sweep.measure,
    "continuous": bench_continuous.measure,
}


def main() -> int:
    """0 when every target is met, 1 when one is missed."""
    args = _arguments()
    console = Console(width=None if sys.stdout.isatty() else 160, highlight=False)
    before = machine()
    began = time.monotonic()
    figures: list[Figure] = []
    for name in args.only or PARTS:
        console.print(f"{name} ...", style="dim")
        figures += PARTS[name]()
    after = machine()
    show(figures, (before["load_1min"], after["load_1min"]), console)
    if args.json is not None:
        about = {"seconds": time.monotonic() - began, "before": before, "after": after}
        keep(figures, about, args.json)
    return 0 if all(one.met is not False for one in figures) else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="scripts/bench", description=__doc__)
    parser.add_argument("--only", action="append", choices=list(PARTS), metavar="PART",
                        help=f"one part, or several by repeating it: {', '.join(PARTS)}")  # fmt: skip
    parser.add_argument("--json", type=Path, metavar="FILE", help="keep the figures there as well")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
