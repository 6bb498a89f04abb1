"""One pair over many seeds: how many differences hold, and how their scatter goes with the u that they state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Any

from scipy import stats

from alike_pairs import PAIRS, Compared
from differences import COVERAGE

MISSES = 0.02
"""So often at the most a right method has fewer that hold than are demanded; of twenty 17 then, once in 63."""

RMS_BAND, RMS_SEEDS = (0.5, 1.5), 20
"""What the root mean square of off / u has to be within, of so many seeds and more: of fewer it may be anything."""


@dataclass(frozen=True, slots=True)
class Judged:
    """The differences of one pair by seed, and the fewest that have to hold."""

    name: str
    by_seed: Mapping[int, Compared]
    least: int

    @property
    def holds(self) -> int:
        return sum(one.off.is_about(0.0) for one in self.by_seed.values())

    @property
    def rms(self) -> float:
        return sqrt(sum((one.off.value / one.off.u) ** 2 for one in self.by_seed.values()) / len(self.by_seed))

    @property
    def met(self) -> bool:
        few = len(self.by_seed) < RMS_SEEDS
        return self.holds >= self.least and (few or RMS_BAND[0] <= self.rms <= RMS_BAND[1])

    @property
    def sentence(self) -> str:
        asked = "not asked of so few" if len(self.by_seed) < RMS_SEEDS else f"{RMS_BAND[0]} to {RMS_BAND[1]}"
        return (
            f"{self.holds} of {len(self.by_seed)} hold (at least {self.least}), "
            f"root mean square of off / u is {self.rms:.2f} ({asked})"
        )

    def shown(self, seed: int) -> str:
        """What is off ± U, to as many digits as U deserves."""
        off = self.by_seed[seed].off
        digits = 2 if off.U < 1.0 else 1 if off.U < 100.0 else 0
        return f"{off.value:+.{digits}f} ± {off.U:.{digits}f}{'' if off.is_about(0.0) else '  outside'}"

    def as_json(self) -> dict[str, Any]:
        pair = PAIRS[self.name]
        rows = [
            {
                "seed": seed,
                "difference": one.found.value,
                "expected": one.expected,
                "off": one.off.value,
                "u": one.off.u,
                "U": one.off.U,
                "holds": one.off.is_about(0.0),
            }
            for seed, one in self.by_seed.items()
        ]
        told = {"holds": self.holds, "least": self.least, "rms": self.rms, "met": self.met}
        return {"what": pair.what, "unit": pair.unit, **told, "rows": rows}


def judged(name: str, by_seed: Mapping[int, Compared]) -> Judged:
    """Of intervals of `COVERAGE` so many have to hold that a right method has fewer no oftener than `MISSES`."""
    return Judged(name, by_seed, int(stats.binom.ppf(MISSES, len(by_seed), COVERAGE)))
