"""What goes into a detector and what comes out: plain and frozen, and light, as the worker process has it too."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchd.bench.analysis import Analysis
    from benchd.devices import Clock, Device, Light
    from benchd.files.bench_file import Target


@dataclass(frozen=True, slots=True)
class Gear:
    """What a detector works with: the device, `name` under which that is known, the target and its light, the worker
    process, the clock, and `config`, its section of the bench file as its `Config`."""

    device: Device
    name: str
    target: Target
    light: Light | None
    analysis: Analysis
    clock: Clock
    config: Any = None


@dataclass(frozen=True, slots=True)
class Capture:
    """What was exposed or read at one place; `data` is the detector's own affair.

    `t_mono` (s) and `t_utc` (RFC 3339) are the instant it was true.
    """

    data: Any
    t_mono: float
    t_utc: str


@dataclass(frozen=True, slots=True)
class Glance:
    """A capture by itself: a rough value, larger where it is sharper, not below zero.

    `blur` grows in proportion to the distance from focus, in any unit, where a detector tells it: it says from
    anywhere where the focus is. `seen` is what the detector wants to know of it when it settles.
    """

    value: float
    blur: float | None = None
    seen: Any = None


@dataclass(frozen=True, slots=True)
class Unusable:
    """Why a capture gave no value: a word for it, a sentence, and what to do about it."""

    code: str
    text: str
    advice: str = "Check light and target."


@dataclass(frozen=True, slots=True)
class Seen:
    """A capture of the coarse scan with its offset (um), and what a glance at it said."""

    offset_um: float
    capture: Capture
    glance: Glance


@dataclass(frozen=True, slots=True)
class Measured:
    """The value of each channel with the standard uncertainty of its noise, in the unit of the detector.

    `linear` is false where the values may not be proportional to light. `brightness` goes with light and exposure, and
    not with focus. `flags` are sentences for the finding: what was not as it had been set for the sweep.
    """

    values: Mapping[str, tuple[float, float]]
    linear: bool = True
    brightness: float | None = None
    flags: tuple[str, ...] = ()
