"""How often the stated interval of m by a strip holds the world's m: each world with its own strip, lens and camera."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy import stats

from benchd.bench.wall_marks import WallMarks, common_u_rel, out_of_focus_u_rel
from benchd.files.loading import LoadedBench, load_bench
from benchd.imaging.square import find_square
from benchd.imaging.strip import measure_strip
from tests.imaging.test_strip import PITCH_MM, taken

CONFIGS = Path(__file__).parents[2] / "configs"
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
    # True intervals of 95 % do worse once in 1000.
    assert held >= stats.binom.ppf(0.001, WORLDS, 0.95), held
    assert float(np.sum(found**2)) <= stats.chi2.ppf(0.999, WORLDS)
    assert float(np.sum(found**2)) >= stats.chi2.ppf(0.001, WORLDS)
    assert abs(float(found.mean())) < 3.3 / np.sqrt(WORLDS)
