"""Readings of a photodiode, freed of the level without light and of the lamp's drift: pure numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import fmean, variance

from benchd.errors import BenchdError


@dataclass(frozen=True, slots=True)
class Readings:
    """What one capture read: the signal, and the lamp's reference at the same times, None without one; how many
    readings the meters themselves called bad or suspect, and when the last was taken."""

    signal: tuple[float, ...]
    reference: tuple[float, ...] | None
    bad: int = 0
    suspect: int = 0
    t_mono: float = 0.0


@dataclass(frozen=True, slots=True)
class Dark:
    """A level without light: its mean, the standard uncertainty of that, and the variance of one reading."""

    level: float
    u: float
    variance: float

    @classmethod
    def of(cls, readings: Sequence[float]) -> Dark:
        spread = variance(readings)
        return cls(fmean(readings), math.sqrt(spread / len(readings)), spread)


@dataclass(frozen=True, slots=True)
class Level:
    """Light above the dark, in the signal's unit at the reference's level when the sweep began: its mean, the variance
    of one reading (0 where there is one only), and what the dark's own uncertainty adds to the mean."""

    mean: float
    variance: float
    u_dark: float


def level_of(taken: Readings, dark: Dark, reference_dark: Dark | None, reference_level: float | None) -> Level:
    """Each signal over the reference read with it: what both share cancels reading by reading.

    Raises BenchdError ('not_found') where the reference sees no light.
    """
    if taken.reference is None or reference_dark is None or reference_level is None:
        above = [one - dark.level for one in taken.signal]
        return Level(fmean(above), _scatter(above), dark.u)
    lamp = [one - reference_dark.level for one in taken.reference]
    if min(lamp) <= 5.0 * math.sqrt(reference_dark.variance):
        raise BenchdError(
            "not_found",
            "The reference of the lamp sees no light above its own dark level.",
            advice="Look at the meter in the role lamp_reference and at what stands before it.",
        )
    above = [(one - dark.level) * reference_level / by for one, by in zip(taken.signal, lamp, strict=True)]
    mean, by = fmean(above), fmean(lamp)
    return Level(mean, _scatter(above), math.hypot(dark.u * reference_level, mean * reference_dark.u) / by)


def _scatter(readings: Sequence[float]) -> float:
    return variance(readings) if len(readings) > 1 else 0.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Variance of one reading: what it is without light, what it gains per light, and that of a step of the display.

    Of a few readings at a place the scatter is hardly known; of those of the whole look it is.
    """

    dark: float
    per_light: float
    rounding: float

    @classmethod
    def of(cls, levels: Sequence[Level], dark: float, resolution: float | None) -> Noise:
        more = fmean(level.variance for level in levels) - dark
        light = fmean(max(level.mean, 0.0) for level in levels)
        rounding = 0.0 if resolution is None else resolution**2 / 12.0
        return cls(dark, max(0.0, more) / light if light > 0.0 else 0.0, rounding)

    def u(self, level: float, readings: int) -> float:
        """Standard uncertainty of the mean of so many; a rounding is the same for all of them where nothing stirs."""
        return math.sqrt((self.dark + self.per_light * max(level, 0.0)) / readings + self.rounding)


@dataclass(slots=True)
class LampTrace:
    """How bright the lamp was at the times of returns to one place: straight between two, as at the nearest outside."""

    seen: list[tuple[float, float]] = field(default_factory=list)

    def at(self, t_mono: float) -> tuple[float, float]:
        """Relative to the first; and the factor on one return's relative u. Of two, half way between, it is less."""
        if not self.seen:
            return 1.0, 0.0
        first = self.seen[0][1]
        before = [one for one in self.seen if one[0] <= t_mono]
        after = [one for one in self.seen if one[0] > t_mono]
        if not before or not after:
            nearest = before[-1] if before else after[0]
            return nearest[1] / first, 1.0
        (t0, level0), (t1, level1) = before[-1], after[0]
        share = (t_mono - t0) / (t1 - t0)
        return (level0 + share * (level1 - level0)) / first, math.hypot(1.0 - share, share)
