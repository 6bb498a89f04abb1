"""The values that cross the driver interface: readings, frames, specs, questions. Plain and frozen."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Quality = Literal["good", "suspect", "bad"]
Contacts = Literal["normally_closed", "normally_open"]
"""Of a switch: whether its circuit is closed or open while nobody acts on it."""
Approach = Literal["from_below", "from_above"]
"""The side from which an axis comes to a place: from smaller numbers, or from greater ones."""


@dataclass(frozen=True, slots=True)
class Identity:
    """The identity that a device reports at `open`; empty strings for what it does not report."""

    model: str = ""
    firmware: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True)
class Health:
    """`ok`, `degraded` (works, with a reservation) or `fault`; `code` is short, `text` a sentence."""

    state: Literal["ok", "degraded", "fault"]
    code: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value with its unit and the instant of measurement: monotonic seconds and RFC 3339 UTC."""

    value: float
    unit: str
    t_mono: float
    t_utc: str
    quality: Quality = "good"


@dataclass(frozen=True, slots=True)
class Exposure:
    """Exposure and gain in force."""

    exposure_ms: float
    gain: float


@dataclass(frozen=True, slots=True)
class Frame:
    """One picture as the camera delivered it, still encoded (`media_type` such as image/png).

    The imaging room decodes it, in the analysis process, so that the daemon stays small. `t_mono` and `t_utc` are the
    middle of the exposure if `hardware_time` is true, else the middle between request and arrival. In a stream they may
    all be off by one constant.
    """

    data: bytes
    media_type: str
    t_mono: float
    t_utc: str
    exposure: Exposure | None = None
    hardware_time: bool = False


@dataclass(frozen=True, slots=True)
class Surprise:
    """An event that makes the position untrustworthy; `kind` is passed on to `Trust.lose`."""

    kind: Literal["reset", "limit", "stall", "disabled", "link"]
    text: str
    t_mono: float


@dataclass(frozen=True, slots=True)
class AxisSpec:
    """What an axis can do; lengths in `unit`, times in seconds."""

    unit: Literal["um", "deg"]
    low: float
    high: float
    resolution: float
    top_speed: float
    acceleration: float
    lookahead_s: float
    approach: Approach = "from_below"


@dataclass(frozen=True, slots=True)
class GaugeSpec:
    """A contact gauge: measuring range, resolution, hysteresis (um), and the standard uncertainty of its gain (1).

    `grows` says whether its reading grows as the tip reaches deeper or as it is pushed in. None is what nobody has
    stated, which is no zero and no direction; a device in the role `indicator` has to state all.
    """

    low_um: float
    high_um: float
    resolution_um: float
    hysteresis_um: float | None = None
    u_gain: float | None = None
    grows: Literal["deeper", "shallower"] | None = None


@dataclass(frozen=True, slots=True)
class EncoderSpec:
    """A position encoder: resolution and sub-divisional amplitude (um), u of its scale (1), expansion (1/K), and the
    period of its signal (um), with which the sub-divisional error repeats. `range_um` is the lowest and highest place
    that it can tell, None for one that is longer than any travel.

    None is what nobody has stated; a device in the role `position` has to state amplitude and scale.
    """

    resolution_um: float
    subdivision_um: float | None = None
    u_scale: float | None = None
    alpha_per_K: float | None = None
    period_um: float | None = None
    range_um: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class LightSpec:
    """A light: least level above dark, number of steps, PWM frequency, laser class, hardware fail-safe, and the level
    (0 to 1) that it falls back to when it is opened, closed, or an emergency stop is pressed."""

    least: float
    steps: int
    pwm_hz: float | None = None
    laser_class: str | None = None
    has_failsafe: bool = False
    safe_level: float = 0.0


@dataclass(frozen=True, slots=True)
class CameraSpec:
    """A camera: size in pixels (columns, rows), linearity in light, own time stamps, lockable exposure, pixel pitch.

    `streams`: its stream brings pictures with stamps of its own, the middle of their exposure but for a constant.
    `gamma` is the exponent of its curve where it is stated, value = light^(1/gamma), by which pictures are made linear.
    `orientation` says how the picture stands to the bench: as the bench file has it. Where a pitch is stated its
    standard uncertainty has to be. `by_itself` names what it may change by itself (exposure, gain, focus,
    white_balance): where pictures are measured, findings say so. `replays`: its pictures are of another time.
    """

    size: tuple[int, int] | None
    linear: bool
    hardware_time: bool
    lockable: bool
    pixel_um: float | None = None
    u_pixel_um: float | None = None
    exposure_range_ms: tuple[float, float] | None = None
    orientation: str = "upright"
    gamma: float | None = None
    by_itself: tuple[str, ...] = ()
    replays: bool = False
    streams: bool = False


AskKind = Literal["yes_no", "choice", "number", "text", "mark", "confirm"]


@dataclass(frozen=True, slots=True)
class Ask:
    """A question to the person at the bench; `until` is an RFC 3339 time or None for no limit.

    `low` and `high` bound the answer to a `number`, in `unit`.
    """

    ask: str
    kind: AskKind
    text: str
    choices: tuple[str, ...] = ()
    unit: str | None = None
    until: str | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """The first valid answer to a question, and who gave it."""

    ask: str
    value: Any
    user: str
    t_utc: str = field(default="")
