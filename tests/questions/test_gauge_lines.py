"""Every line of a length by gauge, worked by hand: a line left out or counted once too seldom narrows the interval."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchd.assessments.finding import Finding
from benchd.bench.datum.chain import ScaleRecord
from benchd.devices import GaugeSpec
from benchd.questions.adapter_length.assessment import adapter_length
from benchd.questions.bench_zero.assessment import bench_zero
from benchd.questions.comparator import About, Known, Pair, Thermal
from benchd.questions.gauge_inputs import make_comparator

ABOUT = About(run="r-0007", setup=3, at="2031-04-05T09:20:02Z", version="0", indices=(0, 9))
STEEL, BRASS, GLASS = 11.5e-6, 18.0e-6, 8.0e-6
KELVIN, U_K = 2.0, 0.3
GAUGE = make_comparator(GaugeSpec(-600.0, 600.0, 0.2, 0.3, 0.001), ScaleRecord(1e-5, 0.15, GLASS))
RING = Known(45000.0, 0.6, STEEL, "certificate", at_C=23.0, dof=12.0)
BASE = Known(24000.0, 100.0, BRASS, "bench file")
# Differences of 400 um on the mean, with a scatter of .2, -.2, .1, -.1, 0: s = sqrt(.1/4) (JCGM 100, 4.2.2).
SCATTER = (0.2, -0.2, 0.1, -0.1, 0.0)
REMOUNTS = math.sqrt(0.1 / 4.0) / math.sqrt(5.0)
# Two readings of a difference. A last digit of .2 is a rectangle for each (JCGM 100, 4.3.7, F.2.2.1). Of a hysteresis
# of .3 each is half off one way or the other, so the difference is -.3, 0, 0 or .3 off.
DIGITS = math.hypot(0.2 / math.sqrt(12.0), 0.2 / math.sqrt(12.0))
HYSTERESIS = math.sqrt((0.3**2 + 0.0 + 0.0 + 0.3**2) / 4.0)
SUBDIVISION = 0.15 / math.sqrt(2.0)


def lines(finding: Finding) -> dict[str, float]:
    return {line.term: line.u for line in finding.budgets["length"]}


def test_the_lines_of_a_base() -> None:
    pairs = [Pair(0.0, 0.0, 400.0 + off, 21000.0) for off in SCATTER]
    found = bench_zero(pairs, RING, BASE, "bench-zero", GAUGE, Thermal(20.0 + KELVIN, U_K), ABOUT)
    ring, base, scale = STEEL * 45000.0, BRASS * 24000.0, GLASS * 21000.0
    # The doubt of a coefficient (5 %, handbook) counts over the way from the temperature at which a length is known,
    # -1 K for the ring and 2 K for base and scale, and by the thermometer's own (JCGM 100, 5.1.2 note).
    own = [ring * math.hypot(1.0, U_K), base * math.hypot(KELVIN, U_K), scale * math.hypot(KELVIN, U_K)]
    assert lines(found) == pytest.approx(
        {
            "remounts": REMOUNTS,
            "setting ring": 0.6,
            "gauge gain": 0.001 * 400.0,
            "gauge hysteresis": HYSTERESIS,
            "gauge resolution": DIGITS,
            "subdivision": SUBDIVISION,
            "temperature": abs(ring - base - scale) * U_K,
            "expansion": 0.05 * math.hypot(*own),
        }
    )
    assert {line.term: line.dof for line in found.budgets["length"] if line.dof} == {
        "remounts": 4.0,
        "setting ring": 12.0,
    }
    shapes = {line.term: line.shape for line in found.budgets["length"] if line.shape != "normal"}
    assert shapes == {"gauge hysteresis": "rectangular", "gauge resolution": "triangular", "subdivision": "arcsine"}


def test_the_lines_of_an_adapter() -> None:
    pairs = [Pair(0.0, 21000.0, 400.0 + off, 3000.0) for off in SCATTER]
    known = Known(18400.0, 1.5, BRASS, "record")
    gauge = replace(GAUGE, u_abbe_um=0.4)
    found = adapter_length(pairs, known, "ring-07", gauge, Thermal(20.0 + KELVIN, U_K), ABOUT)
    length = found.values["length"].value
    assert length == pytest.approx((400.0 + 18000.0 * (1.0 + GLASS * KELVIN)) / (1.0 + BRASS * KELVIN))
    adapter, travel = BRASS * 18400.0, GLASS * 18000.0
    assert lines(found) == pytest.approx(
        {
            "remounts": REMOUNTS,
            "gauge gain": 0.001 * 400.0,
            "gauge hysteresis": HYSTERESIS,
            "gauge resolution": DIGITS,
            "subdivision": SUBDIVISION * math.sqrt(2.0),  # of two places
            "scale": 1e-5 * 18000.0,
            "abbe": 0.4,
            "temperature": abs(travel - adapter) * U_K,
            "expansion": 0.05 * math.hypot(adapter, travel) * math.hypot(KELVIN, U_K),
        },
        rel=1e-4,
    )
    assert {line.term: line.dof for line in found.budgets["length"] if line.dof} == {"remounts": 4.0}
    shapes = {line.term: line.shape for line in found.budgets["length"] if line.shape != "normal"}
    assert shapes.pop("abbe") == "triangular"
    assert shapes == {"gauge hysteresis": "rectangular", "gauge resolution": "triangular", "subdivision": "arcsine"}
