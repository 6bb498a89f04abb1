"""The period's fit, held against the Cramer-Rao bound for the frequency of a sinusoid in white noise.

    var(f) >= 12 / ((2 pi)^2 eta N (N^2 - 1)),  eta = A^2 / (2 s^2)

cycles per sample, of N samples of amplitude A in white noise of variance s^2, amplitude and phase unknown: S. M. Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory (1993), example 3.14; with the complex noise of
variance s^2 each way in the place of the real one half of it, D. C. Rife and R. R. Boorstyn, IEEE Trans. Inf. Theory
IT-20 (1974) 591, table I. Both are stated from memory; `test_the_bound_itself` works it out of Fisher's information.
H rows with the same phase hold H times as much.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchd.imaging.period import Period, fit_period
from benchd.imaging.rows import Floats

LONG, HIGH = 240, 12
AMPLITUDE, NOISE = 0.4, 0.05


def bound(n: int, amplitude: float, noise: float, rows: int = 1) -> float:
    """Standard deviation of a frequency, cycles per sample."""
    eta = amplitude**2 / (2.0 * noise**2)
    return float(np.sqrt(12.0 / ((2.0 * np.pi) ** 2 * eta * n * (n**2 - 1.0) * rows)))


def patch(cycles_per_px: float, turn_deg: float, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """A sinusoid along a strip that is turned: places, and light in white noise."""
    along, beside = np.meshgrid(np.arange(LONG) - 0.5 * (LONG - 1), np.arange(HIGH) - 0.5 * (HIGH - 1))
    light = 0.5 + AMPLITUDE * np.cos(2.0 * np.pi * cycles_per_px * along + rng.uniform(0.0, 6.28))
    light = light + NOISE * rng.standard_normal(light.shape)
    t = np.radians(turn_deg)
    x, y = along * np.cos(t) - beside * np.sin(t), along * np.sin(t) + beside * np.cos(t)
    return x.ravel(), y.ravel(), light.ravel()


def fitted(cycles_per_px: float, turn_deg: float, seed: int) -> Period:
    x, y, light = patch(cycles_per_px, turn_deg, np.random.default_rng(seed))
    t, near = np.radians(turn_deg), cycles_per_px * (1.0 + 0.1 / (LONG * cycles_per_px))
    return fit_period(x, y, light, (near * np.cos(t), near * np.sin(t)))


def test_the_bound_itself() -> None:
    """Fisher's information of frequency, amplitude, phase and level, inverted by numpy."""
    n, f, phase = 64, 0.11, 0.7
    at = np.arange(n)
    turn = 2.0 * np.pi * f * at + phase
    by = np.stack([
        -AMPLITUDE * 2.0 * np.pi * at * np.sin(turn), np.cos(turn), -AMPLITUDE * np.sin(turn), np.ones(n)
    ])  # fmt: skip
    information = by @ by.T / NOISE**2
    assert np.sqrt(np.linalg.inv(information)[0, 0]) == pytest.approx(bound(n, AMPLITUDE, NOISE), rel=0.03)


@pytest.mark.parametrize(("cycles_per_px", "turn_deg"), [(0.04, 0.0), (0.11, 90.0), (0.07, 31.0), (0.15, 0.0)])
def test_its_scatter_is_the_bound_and_what_it_states(cycles_per_px: float, turn_deg: float) -> None:
    """The width of 200 sample deviations is 5 % (1 sd); harmonics that are zero cost nothing that shows."""
    found = [fitted(cycles_per_px, turn_deg, seed) for seed in range(200)]
    off = np.array([1.0 / period.px - cycles_per_px for period in found])
    least = bound(LONG, AMPLITUDE, NOISE, HIGH)
    assert np.sqrt(np.mean(off**2)) == pytest.approx(least, rel=0.16)
    assert abs(off.mean()) < 3.3 * least / np.sqrt(len(off))
    for stated in ("u_noise_rel", "u_bars_rel"):
        squares = [(getattr(period, stated) / period.px) ** 2 for period in found]
        assert np.sqrt(np.median(squares)) == pytest.approx(least, rel=0.3), stated


def test_bars_that_stand_unevenly_show_in_its_own_scatter() -> None:
    """Of 16 bars, each .05 px off: s sqrt(12 / (n (n^2 - 1))) a step, by the line through them (numpy.polyfit's)."""
    off_px, bars, period_px = 0.05, 16, 15.0
    found, stated = [], []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        places = period_px * (np.arange(bars) + 0.5) + off_px * rng.standard_normal(bars)
        x, y = (one.astype(float).ravel() for one in np.meshgrid(np.arange(int(bars * period_px)), np.arange(8)))
        light = np.sum([np.exp(-(((x - place) / 3.0) ** 2)) for place in places], axis=0)
        period = fit_period(x, y, light + 0.002 * rng.standard_normal(x.shape), (1.001 / period_px, 0.0))
        found.append(period.px / period_px - 1.0)
        stated.append(period.u_bars_rel)
        assert period.u_bars_rel > 3.0 * period.u_noise_rel
    expected = off_px / period_px * np.sqrt(12.0 / (bars * (bars**2 - 1.0)))
    assert np.std(found) == pytest.approx(expected, rel=0.18)
    assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(expected * np.sqrt(14.0 / 12.0), rel=0.18)
