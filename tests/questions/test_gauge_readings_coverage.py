"""Does the interval of a length by gauge hold the truth, where steps are wrong by what is stated of them?

Each case is a bench of its own: lengths, phase of the screw's periodic error and what is left of the backlash are
drawn, and the adapter's length over a whole turn of the screw. Nothing is drawn that the bench's records do not state.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import binom

from benchd.assessments.finding import Finding
from benchd.bench.datum.chain import ScaleRecord
from benchd.devices import GaugeSpec
from benchd.optics.expansion import U_ALPHA_REL
from benchd.questions.adapter_length.assessment import adapter_length
from benchd.questions.bench_zero.assessment import bench_zero
from benchd.questions.comparator import About, Known, Pair, Thermal
from benchd.questions.gauge_inputs import make_comparator

CASES, ROUNDS = 400, 6
PITCH_UM, PROBE_UM, TIP_DEPTH_UM = 1000.0, 44987.0, 45000.0
REMOUNT_UM, U_TEMPERATURE_K, U_GAIN, HYSTERESIS_UM, RESOLUTION_UM = 0.3, 0.3, 0.001, 0.3, 0.2
STEEL, ALUMINIUM = 11.5e-6, 23.0e-6
BASE = Known(24000.0, 100.0, STEEL, "bench file")
RING = Known(45000.0, 0.6, STEEL, "certificate")
ABOUT = About(run="r-0007", setup=3, at="2031-04-05T09:20:02Z", version="0", indices=(0, 2 * ROUNDS - 1))

STEPS = ScaleRecord(u_scale=5e-5, subdivision_um=2.5, alpha_per_K=STEEL, by_steps=True, u_backlash_um=1.0)
DIAL = GaugeSpec(-600.0, 600.0, RESOLUTION_UM, HYSTERESIS_UM, U_GAIN)


class Drawn:
    """A bench of its own: where its carriage truly stands, what its gauge reads of a depth."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        typed_C = float(rng.uniform(18.5, 23.5))
        self.thermal = Thermal(typed_C, U_TEMPERATURE_K)
        self._kelvin = typed_C + U_TEMPERATURE_K * rng.normal() - 20.0
        self._phase = rng.uniform(0.0, 2.0 * math.pi)
        self._gain = 1.0 + U_GAIN * rng.normal()
        self.pitch_off = STEPS.u_scale * rng.normal()
        self._screw = self.grown(1.0, STEEL)
        self._left: dict[float, float] = {}

    def grown(self, length_um: float, alpha_per_K: float) -> float:
        """A length of 20 C as it is now, its expansion off the handbook's by as much as is usual."""
        return length_um * (1.0 + alpha_per_K * (1.0 + U_ALPHA_REL * self.rng.normal()) * self._kelvin)

    def place_um(self, steps_um: float) -> float:
        """What is left of the backlash goes with the place, as the error within the turn does."""
        left = self._left.setdefault(steps_um, STEPS.u_backlash_um * self.rng.normal())
        periodic = STEPS.subdivision_um * math.sin(2.0 * math.pi * steps_um / PITCH_UM + self._phase)
        return float(steps_um * (1.0 + self.pitch_off) * self._screw + periodic + left)

    def pairs(self, first_um: float, second_um: float, at: tuple[float, float]) -> list[Pair]:
        """`ROUNDS` remountings of the gauge over two depths, the carriage `at` these steps."""
        creep = self.rng.uniform(-0.5, 0.5) * HYSTERESIS_UM
        return [Pair(self._reads(first_um), at[0], self._reads(second_um + creep), at[1]) for _ in range(ROUNDS)]

    def _reads(self, depth_um: float) -> float:
        reading = self._gain * (depth_um - PROBE_UM) + REMOUNT_UM * self.rng.normal()
        return RESOLUTION_UM * round(reading / RESOLUTION_UM)


def adapter_of(bench: Drawn) -> tuple[Finding, float]:
    """The adapter's length as found, and as it is."""
    true = 18000.0 + bench.rng.uniform(-0.5, 0.5) * PITCH_UM
    record = Known(round(true), 1.5, ALUMINIUM, "record")
    first = TIP_DEPTH_UM - BASE.length_um
    second = first - record.length_um
    base = bench.grown(BASE.length_um, STEEL)
    on_base = base + bench.place_um(first)
    on_adapter = base + bench.grown(true, ALUMINIUM) + bench.place_um(second)
    pairs = bench.pairs(on_base, on_adapter, (first, second))
    return adapter_length(pairs, record, "ring-07", make_comparator(DIAL, STEPS), bench.thermal, ABOUT), true


def base_of(bench: Drawn) -> tuple[Finding, float]:
    """The base's depth as found, and as it is by a perfect screw through where the carriage stood: the chain adds the
    doubt of the pitch from there."""
    true = BASE.length_um + BASE.u_um * bench.rng.normal()
    at = round(RING.length_um - true)
    on_ring = bench.grown(RING.length_um + RING.u_um * bench.rng.normal(), STEEL)
    on_base = bench.grown(true, STEEL) + bench.place_um(at)
    pairs = bench.pairs(on_ring, on_base, (0.0, at))
    found = bench_zero(pairs, RING, BASE, "bench-zero", make_comparator(DIAL, STEPS), bench.thermal, ABOUT)
    return found, true + at * bench.pitch_off


@dataclass(frozen=True)
class Ensemble:
    """How often the truth was held, and the error and the stated uncertainty at large (um)."""

    held: int
    rms_um: float
    u_um: float


def measured(length: Callable[[Drawn], tuple[Finding, float]], seed: int) -> Ensemble:
    """`CASES` benches through the real assessment."""
    rng = np.random.default_rng(seed)
    held, errors, us = 0, [], []
    for _ in range(CASES):
        finding, true = length(Drawn(rng))
        found = finding.values["length"]
        assert found.value is not None
        assert found.u is not None
        assert found.U is not None
        errors.append(found.value - true)
        us.append(found.u)
        held += abs(errors[-1]) <= found.U
    return Ensemble(held, math.sqrt(float(np.mean(np.square(errors)))), float(np.median(us)))


# In 99.8 % of studies of this size a perfect method stays inside these limits.
LEAST, MOST = binom.ppf(0.001, CASES, 0.95), binom.ppf(0.999, CASES, 0.95)


def test_by_steps_the_interval_holds_the_adapters_length() -> None:
    of = measured(adapter_of, seed=3001)
    assert LEAST <= of.held <= MOST
    assert of.rms_um == pytest.approx(of.u_um, rel=0.1)


def test_by_steps_the_interval_holds_the_bases_depth() -> None:
    """No upper limit: one sine wave holds seven tenths of this variance, and it ends at its amplitude, while 1.96 u
    goes on to 1.7 amplitudes."""
    of = measured(base_of, seed=3002)
    assert of.held >= LEAST
    assert of.rms_um == pytest.approx(of.u_um, rel=0.1)
