"""Coverage of the strata that questions bring themselves, those of other packages among them, as `question/stratum`."""

from __future__ import annotations

import math
import sys
import zlib
from collections.abc import Mapping

import numpy as np
from scipy.stats import binom

from benchd.errors import BenchdError
from benchd.questions import registry
from benchd.questions.question import Stratum
from study_tables import STATED, TAIL

CASES, QUICK_CASES = 4000, 1000


def of_questions() -> Mapping[str, Stratum]:
    """Those of all questions that are installed; one that cannot be asked is told on stderr and brings none."""
    found: dict[str, Stratum] = {}
    for name in registry.names():
        try:
            found |= {f"{name}/{stratum}": draw for stratum, draw in registry.question(name)().strata().items()}
        except BenchdError as unfit:
            print(unfit.text, file=sys.stderr)
    return found


def tell_of(strata: Mapping[str, Stratum], seed: int, cases: int) -> int:
    """A line a stratum on stdout; 0 when each is plausible at a true 95 %, 1 when one is not."""
    worst = 0
    low, high = (int(binom.ppf(tail, cases, STATED)) for tail in (TAIL, 1.0 - TAIL))
    for name, draw in strata.items():
        rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
        errors = [_error(draw, rng) for _ in range(cases)]
        held = sum(abs(error) <= U for error, _, U in errors)
        rms = math.sqrt(sum((error / u) ** 2 for error, u, _ in errors) / cases)
        worst = max(worst, 0 if low <= held <= high else 1)
        print(
            f"{name}: {cases} cases, coverage {100.0 * held / cases:.1f} %, rms e/u {rms:.2f}; "
            f"a true 95 % has {low} to {high}, here {held}."
        )
    return worst


def _error(draw: Stratum, rng: np.random.Generator) -> tuple[float, float, float]:
    finding, key, truth = draw(rng)
    stated = finding.values[key]
    if stated.value is None or not stated.u or stated.U is None:
        raise ValueError(f"{finding.assessment} states no interval of '{key}'")
    return stated.value - truth, stated.u, stated.U
