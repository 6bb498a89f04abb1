"""Coverage of the strata that questions, arrangements and detectors bring themselves, packages' among them.

Each is named `what/stratum`: `chopper/swing` is of the detector, arrangement or question `chopper`.
"""

from __future__ import annotations

import math
import sys
import zlib
from collections.abc import Iterator, Mapping

import numpy as np
from scipy.stats import binom

from benchd.arrangements import registry as arrangements
from benchd.detectors import registry as detectors
from benchd.detectors.meter.detector import MeterDetector
from benchd.errors import BenchdError
from benchd.metrology.drawn import Drawn, Stratum
from benchd.questions import registry as questions
from study_meter import STRATA
from study_meter_passes import STRATA as PASSES
from study_tables import STATED, TAIL

CASES, QUICK_CASES = 4000, 1000


def of_plugins() -> Mapping[str, Stratum]:
    """Those of all that is installed; what cannot be loaded is told on stderr and brings none."""
    return {f"{name}/{stratum}": draw for name, strata in _strata() for stratum, draw in strata.items()}


def _strata() -> Iterator[tuple[str, Mapping[str, Stratum]]]:
    for plugins, strata_of in (
        (questions.QUESTIONS, _of_question),
        (arrangements.ARRANGEMENTS, _of_arrangement),
        (detectors.DETECTORS, _of_detector),
    ):
        for name in plugins.names():
            try:
                yield name, strata_of(name)
            except BenchdError as unfit:
                print(unfit.text, file=sys.stderr)


def _of_question(name: str) -> Mapping[str, Stratum]:
    return questions.question(name)().strata()


def _of_arrangement(name: str) -> Mapping[str, Stratum]:
    return arrangements.arrangement(name).strata()


def _of_detector(name: str) -> Mapping[str, Stratum]:
    if name == MeterDetector.name and detectors.DETECTORS.is_ours(name):
        return {**STRATA, **PASSES}  # by the simulators' optics, of which benchd knows nothing
    return detectors.detector(name).strata()


def tell_of(strata: Mapping[str, Stratum], seed: int, cases: int) -> int:
    """A line a stratum on stdout; 0 when each is plausible at a true 95 %, 1 when one is not."""
    worst = 0
    low, high = (int(binom.ppf(tail, cases, STATED)) for tail in (TAIL, 1.0 - TAIL))
    for name, draw in strata.items():
        rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
        drawn = [Drawn(*draw(rng)) for _ in range(cases)]
        held = sum(abs(one.value - one.truth) <= one.U for one in drawn)
        rms = math.sqrt(sum(((one.value - one.truth) / one.u) ** 2 for one in drawn) / cases)
        worst = max(worst, 0 if low <= held <= high else 1)
        print(
            f"{name}: {cases} cases, coverage {100.0 * held / cases:.1f} %, rms e/u {rms:.2f}; "
            f"a true 95 % has {low} to {high}, here {held}."
        )
    return worst
