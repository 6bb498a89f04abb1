"""How many edge regions a second one core measures, as frames of nine regions against 60 frames a second."""

from __future__ import annotations

import os
import subprocess
import sys

from bench_figure import Figure

PART = "edges"
REGIONS, FRAMES_PER_S = 9, 60.0
WORK = """
import time
from benchd.imaging.speed import regions_per_second
print(max(regions_per_second(time.perf_counter, {rounds}) for _ in range({times})))
"""


def measure(*, rounds: int = 30, times: int = 5) -> list[Figure]:
    """The best of several medians: what the core can do when nobody else wants it. One thread, in a new process."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    words = [sys.executable, "-c", WORK.format(rounds=rounds, times=times)]
    done = subprocess.run(words, env=environment, capture_output=True, text=True, check=True)
    per_s = float(done.stdout)
    return [
        Figure(PART, "frames a second over 60", per_s / REGIONS / FRAMES_PER_S, "", least=1.0,
               note=f"{per_s / REGIONS:.0f} frames/s: nine regions of 120 x 80 px in a decoded frame of 12 megapixels"),
        Figure(PART, "edge regions a second", per_s, "1/s"),
    ]  # fmt: skip
