"""Inputs and outputs of detectors: plain and frozen; the module imports little, as the worker process loads it too."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from benchd.bench.analysis import Analysis
    from benchd.devices import Clock, Device, Light, Meter
    from benchd.files.bench_file import Target


class Darkened(Protocol):
    """Has the light at a share of its level, 0 for out, as long as what it returns is entered."""

    def __call__(self, share: float = 0.0) -> AbstractAsyncContextManager[None]: ...


@dataclass(frozen=True, slots=True)
class Gear:
    """What a detector works with: the device and its `name`, the target and its light, the worker process, the clock,
    and `config`, its section of the bench file as its `Config`.

    `reference` is the meter in the role `lamp_reference`, None without one. `darkened` puts the target's light out for
    as long as it is entered, or down to a share of its level, and back then; see `Lights.darkened`.
    """

    device: Device
    name: str
    target: Target
    light: Light | None
    analysis: Analysis
    clock: Clock
    config: Any = None
    reference: Meter | None = None
    darkened: Darkened | None = None


@dataclass(frozen=True, slots=True)
class Capture:
    """What was exposed or read at one station; `data` is private to the detector.

    `t_mono` (s) and `t_utc` (RFC 3339) are the instant of the capture, `exposed_s` is how long the light was gathered,
    where that is known: at the most, and `surely_s` at the least, where something smears beyond it that is known as a
    bound only.
    """

    data: Any
    t_mono: float
    t_utc: str
    exposed_s: float = 0.0
    surely_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Glance:
    """A rough value of one capture, larger if sharper, not below zero.

    `blur`, if the detector measures it, grows in proportion to the distance from focus, in any unit, so that focus can
    be found from far away. `seen` is private data for the detector's `settle_on`.
    """

    value: float
    blur: float | None = None
    seen: Any = None


@dataclass(frozen=True, slots=True)
class CurveSeen:
    """What a curve through focus was taken with: f-number, frequency (lp/mm), light (nm), the arrangement's factor on
    its width, the independent noise of a position (um), how many latencies were found from the same points, and the way
    (um) over which each was gathered at the most and at the least, as the carriage moved."""

    f_number: float
    lp_mm: float
    light_nm: float
    curve_width: float
    position_u_um: float
    latencies: int = 0
    way_um: float = 0.0
    least_way_um: float = 0.0


@dataclass(frozen=True, slots=True)
class Unusable:
    """Why a capture gave no value: a code, a sentence, and advice."""

    code: str
    text: str
    advice: str = "Check light and target."


@dataclass(frozen=True, slots=True)
class Seen:
    """A capture of the coarse scan with its offset (um) and its glance."""

    offset_um: float
    capture: Capture
    glance: Glance


@dataclass(frozen=True, slots=True)
class Measured:
    """The value of each channel with the standard uncertainty of its noise, in the unit of the detector.

    `linear` is false if the values may not be proportional to light. `brightness` depends on light and exposure, not on
    focus. `flags` are sentences for the finding: what was not as set for the sweep.
    """

    values: Mapping[str, tuple[float, float]]
    linear: bool = True
    brightness: float | None = None
    flags: tuple[str, ...] = ()
