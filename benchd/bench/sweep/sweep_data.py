"""The order and the result of a sweep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import fmean
from typing import Literal

from benchd.assessments.locate import Location, locate
from benchd.detectors.detector import AUTO
from benchd.metrology.budget import Term

LIGHT_STAYS = 2.0 ** (1.0 / 3.0)
"""Points of a sweep that differ in brightness by more than this, a third of a stop, are flagged: common practice, no
source. It is above the warm-up and droop of a lamp, and below any intended change."""


@dataclass(frozen=True, slots=True)
class SweepOrder:
    """A sweep as ordered; None lets the bench choose from the f-number and from the coarse scan (um)."""

    about: Literal["nominal", "here", "expected"] | float = "nominal"
    span_um: float | None = None
    step_um: float | None = None
    merit: str = AUTO
    lp_mm: float | None = None
    repeats: int = 1
    mode: Literal["stepped", "continuous"] = "stepped"


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """One point of a sweep: its position, and the value and u of each channel."""

    idx: int
    offset_um: float
    carriage_um: float
    t_mono: float
    repeat: int
    channels: Mapping[str, tuple[float, float]]


@dataclass(slots=True)
class SweepData:
    """A sweep at one set-up: its points in the order taken, how they were measured, whether linear in light.

    `hwhm_um` is the half-width that its stations were chosen by, `noise` the relative noise of one reading at the peak.
    `brightness` is that of each point, in the detector's own unit; `flags` are sentences for the finding about changes
    and lost points.
    """

    setup: int
    glass: tuple[str, ...]
    detector: str
    merit: str
    lp_mm: float
    f_number: float
    u_frequency_rel: float
    hwhm_um: float
    points: list[SweepPoint] = field(default_factory=list)
    refused: int = 0
    first_refusal: str = ""
    brightness: list[float] = field(default_factory=list)
    linear: bool = True
    flags: list[str] = field(default_factory=list)
    noise: float = 0.0
    distance_mm: float | None = None
    distance_by: str | None = None
    """The meter that told it; None for a tape."""
    m: tuple[float, float] | None = None
    """Of the wall, as the set-up had it; with its u."""
    m_by: str | None = None
    """`marks` where those told it."""
    across_px: float | None = None
    """How far apart those were in the picture."""
    about: str | float = "nominal"
    stands: tuple[str | None, tuple[str, ...], str] = (None, (), "")
    """Lens, adapters and ring that it was taken with."""
    seating: int = 0
    """How often the lens had been taken off and put back in the run."""
    seated_by: str | None = None
    timing: tuple[Term, ...] = ()
    """Of a continuous sweep: lines of the budget of its peak beside that of the fit, as offsets."""
    latencies: int = 0
    """How many latencies were found from the same points that are fitted."""
    way_um: float = 0.0
    """The way over which each of them was gathered at the most, as offset."""
    least_way_um: float = 0.0
    """And at the least."""

    @property
    def measured(self) -> tuple[str, str, float, float]:
        """What makes readings comparable: detector, merit, frequency and f-number."""
        return self.detector, self.merit, self.lp_mm, self.f_number

    def continues(self, before: SweepData) -> bool:
        """Whether it is another pass over what `before` measured, about the same place, at the same set-up.

        `here` is another place each time."""
        alike = (before.setup, before.measured, before.about) == (self.setup, self.measured, self.about)
        return alike and before.seating == self.seating and self.about != "here"

    def peak(self, half_width_um: float) -> Location | None:
        """About where it peaks, to choose the stations of another pass; None where that is not seen."""
        offsets = [point.offset_um for point in self.points]
        values = [fmean(value for value, _ in point.channels.values()) for point in self.points]
        return locate(offsets, values, half_width_um)


def changed_brightness(seen: Sequence[float]) -> list[str]:
    """A sentence where the brightness of the points of one sweep did not stay."""
    if not seen or max(seen) <= LIGHT_STAYS * min(seen):
        return []
    ratio = max(seen) / min(seen)
    return [f"While a sweep was taken the brightness changed by a factor of {ratio:.2g}: light or exposure."]
