"""How often the stated interval of m by a strip holds the world's m: each world with its own strip, lens and camera."""

from __future__ import annotations

import numpy as np

from benchd.bench.wall_marks import WallMarks, common_u_rel, out_of_focus_u_rel
from benchd.files.loading import LoadedBench, load_bench
from benchd.imaging.square import find_square
from benchd.imaging.strip import measure_strip
from stack import CONFIGS
from tests.imaging.test_strip import PITCH_MM, taken

WORLDS = 120
OFF_FOCUS_UM = 35.0
STATED = WallMarks("pitch", PITCH_MM, 0.1 / 16, 2e-4)


def off(bench: LoadedBench, seed: int) -> float:
    """How far m is off in its own u: out of focus as lenses come, and by the figures that a person has."""
    target, lens = bench.file.target, bench.records.lens("L-0417")
    away_um = float(np.random.default_rng([3, seed]).uniform(-OFF_FOCUS_UM, OFF_FOCUS_UM))
    shot = taken(seed, off_focus_um=away_um)
    found = measure_strip(shot.picture, find_square(shot.picture))
    value = target.pitch_mm * found.in_sides / STATED.known_mm
    u_rel = np.hypot(np.hypot(found.u_rel, common_u_rel(target, STATED)), STATED.u_distortion)
    return float((value / shot.m - 1.0) / np.hypot(u_rel, out_of_focus_u_rel(lens, 0.0)))


def test_the_interval_of_m_holds_the_truth() -> None:
    bench = load_bench(CONFIGS / "workshop" / "bench.yaml")
    found = np.array([off(bench, seed) for seed in range(1, WORLDS + 1)])
    held = int(np.sum(np.abs(found) <= 1.96))
    # Binomial of 120 at .95: 107 to 119 but for 1 in 200 either way; rectangular parts make it a little more.
    assert held >= 107, held
    assert 0.75 < float(np.sqrt(np.mean(found**2))) < 1.2
    assert abs(float(found.mean())) < 3.0 / np.sqrt(WORLDS)
