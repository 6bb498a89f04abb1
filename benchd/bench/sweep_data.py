"""What a sweep is asked for, and what it brings home."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import takewhile
from typing import Literal

from benchd.errors import Refused

Merit = Literal["auto", "edge", "star", "pairs", "meter", "eye"]


@dataclass(frozen=True, slots=True)
class SweepOrder:
    """A sweep as asked for; None lets the bench choose from the f-number and from what a first look shows (um)."""

    about: Literal["nominal", "here"] | float = "nominal"
    span_um: float | None = None
    step_um: float | None = None
    merit: Merit = "auto"
    lp_mm: float | None = None
    repeats: int = 1
    mode: Literal["stepped", "continuous"] = "stepped"


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """One picture of a sweep: where it was taken and the modulation of both orientations with their u."""

    idx: int
    offset_um: float
    carriage_um: float
    t_mono: float
    repeat: int
    v: tuple[float, float]
    h: tuple[float, float]


@dataclass(slots=True)
class SweepData:
    """A sweep at one set-up: its points in the order taken, what was measured, whether its pictures were linear.

    `swings` are how much brighter the field was than the square, picture by picture; `flags` are sentences for the
    finding: what did not stay as it was, and what was lost.
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
    swings: list[float] = field(default_factory=list)
    linear: bool = True
    flags: list[str] = field(default_factory=list)

    @property
    def measured(self) -> tuple[str, str, float, float]:
        """What makes readings comparable: detector, merit, frequency and f-number."""
        return self.detector, self.merit, self.lp_mm, self.f_number


def flags_of(sweeps: Sequence[SweepData]) -> list[str]:
    """What the finding has to say of its sweeps, each thing once."""
    return list(dict.fromkeys(flag for sweep in sweeps for flag in sweep.flags))


def alike(sweeps: Sequence[SweepData]) -> tuple[list[SweepData], list[str]]:
    """The last sweeps that measured one thing, and a note on those before them: two merits have two peaks.

    None from before one that differs: a finding names its readings by their first and last index.
    """
    kept = list(takewhile(lambda sweep: sweep.measured == sweeps[-1].measured, reversed(sweeps)))[::-1]
    left_out = len(sweeps) - len(kept)
    if not left_out:
        return kept, []
    are = "1 sweep of this run is" if left_out == 1 else f"{left_out} sweeps of this run are"
    return kept, [f"{are} left out: detector, merit, frequency or f-number changed after."]


def out_in_in_out(sweeps: Sequence[SweepData]) -> tuple[str, ...]:
    """The plates of four sweeps taken without them, with, with and without. Raises Refused (not_found) for others."""
    if len(sweeps) != 4:
        raise Refused(
            "not_found",
            f"Out-in-in-out takes four sweeps; this run holds {len(sweeps)}.",
            advice="Run `glass_toggle`, or sweep so in a procedure of your own.",
        )
    plates = sweeps[1].glass
    if not plates or [sweep.glass for sweep in sweeps] != [(), plates, plates, ()]:
        had = ", ".join(" with ".join(sweep.glass) or "no glass" for sweep in sweeps)
        raise Refused(
            "not_found",
            f"The four sweeps were not out, in, in and out of the same glass; the set-up had {had}.",
            advice="Run `glass_toggle`, or in your procedure set `glass: []` before the first and the fourth sweep and "
            "the plates before the second and the third.",
        )
    if len(alike(sweeps)[0]) != 4:
        raise Refused(
            "not_found",
            "The four sweeps did not measure the same: detector, merit, frequency or f-number differ.",
            advice="Sweep out-in-in-out in one way.",
        )
    return plates
