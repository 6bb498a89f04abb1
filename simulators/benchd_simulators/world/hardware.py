"""What a world file may say of the hardware: carriage, encoder, indicator, lamp, camera, and how a quantity stands."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd_simulators.world.drawing import Shape

Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Span = Annotated[list[float], Field(min_length=2, max_length=2)]


class Part(BaseModel):
    """Strict: unknown keys, text in place of numbers, infinities are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


class Quantity(Part):
    """A record with its standard uncertainty and the shape its true value is drawn from."""

    record: float
    u: NotNegative
    shape: Shape = "normal"

    @property
    def parts(self) -> tuple[float, float, Shape]:
        return self.record, self.u, self.shape


class BoardRecord(Part):
    """How the motion board hangs on its port: `resets_on_open` as where the port's opening pulls its reset line.
    `settings`: what of its settings, by number, is otherwise than usual."""

    resets_on_open: bool = False
    settings: dict[Annotated[str, Field(pattern=r"^\$[0-9]{1,3}$")], float] = Field(default_factory=dict)


class CarriageRecord(Part):
    """Places in um from the reference mark; `cumulative` is the screw's error per um.

    `backlash_scatter_um`: standard deviation of the play, anew each time that the screw turns about.
    """

    acceleration_um_s2: Positive
    pull_out_um_s: Positive
    stops_um: Span
    home_switch_um: float
    switch_scatter_um: NotNegative
    switch_hysteresis_um: NotNegative
    end_switch_um: float
    starts_um: Span
    pitch_um: Positive
    periodic_um: NotNegative
    cumulative: Quantity
    backlash_um: NotNegative
    backlash_scatter_um: NotNegative = 0.0
    alpha_per_K: float
    ring_down_um: NotNegative
    ring_down_s: Positive
    ring_down_hz: NotNegative

    @model_validator(mode="after")
    def _in_order(self) -> CarriageRecord:
        low, high = self.stops_um
        if not low < self.home_switch_um < self.end_switch_um < high:
            raise ValueError("stops_um[0] < home_switch_um < end_switch_um < stops_um[1] is needed")
        if not self.home_switch_um < self.starts_um[0] <= self.starts_um[1] < self.end_switch_um:
            raise ValueError("starts_um must lie between the two switches, the smaller number first")
        return self


class TurnedRecord(Part):
    """A motor that turns a ring of the lens by a gear, on an axis of the motion board, one unit of which is
    `deg_per_unit`. Angles are the ring's own; `play_deg` is the gear's, the ends those of the drive.
    """

    letter: Literal["X", "Y"]
    deg_per_unit: Positive
    acceleration_deg_s2: Positive
    pull_out_deg_s: Positive
    play_deg: NotNegative
    stops_deg: Span
    home_switch_deg: float
    switch_scatter_deg: NotNegative
    end_switch_deg: float
    starts_deg: Span


class AbbeRecord(Part):
    """The scale's distance from the axis, and the most the carriage tips and turns between two places."""

    up_mm: NotNegative
    side_mm: NotNegative
    pitch_arcmin: NotNegative
    yaw_arcmin: NotNegative


class EncoderRecord(Part):
    resolution_um: Positive
    period_um: Positive
    subdivision_um: NotNegative
    noise_um: NotNegative
    scale: Quantity
    alpha_per_K: Quantity
    abbe: AbbeRecord | None = None


class DialRecord(Part):
    """A gauge that stays clamped to the frame, its tip on the carriage; it reads 0 at `zero_um`, and up to
    `range_um` as the carriage goes deeper."""

    range_um: Positive
    resolution_um: Positive
    hysteresis_um: NotNegative
    noise_um: NotNegative
    gain: Quantity
    zero_um: Quantity


class IndicatorRecord(Part):
    """`probe_um`: length from the bridge's feet to the tip where the indicator reads 0.

    The reading `grows` as the tip reaches deeper, or as it is pushed in.
    """

    range_um: Positive
    resolution_um: Positive
    hysteresis_um: NotNegative
    noise_um: NotNegative
    remount_um: NotNegative
    gain: Quantity
    probe_um: Quantity
    creep_um: Quantity
    creep_s: Positive
    grows: Literal["deeper", "shallower"] = "deeper"


class LampRecord(Part):
    """`electrons_per_s`: in a camera pixel of the bright field at level 1, cold, at f/2, 5 m, no filter."""

    electrons_per_s: Positive
    droop: NotNegative
    warm_up_s: Positive
    pwm_hz: Positive
    nm: Annotated[list[Positive], Field(min_length=1, max_length=9)]
    weight: Annotated[list[Positive], Field(min_length=1, max_length=9)]

    @model_validator(mode="after")
    def _match(self) -> LampRecord:
        if len(self.nm) != len(self.weight):
            raise ValueError("nm and weight must have the same number of entries")
        return self


class PhotodiodeRecord(Part):
    """`slit_um` is its slit's width, `source_slit_um` that of the slit before the lamp, where it is another one.

    `volts`: told at level 1 of a cold lamp, f/2, no filter, if all passed the slit; `reference_V` of the diode beside
    the lamp, None where none stands there. `dark_V` is told without light, `stray_V` beside in the room's light, which
    swings with the mains as far as `integration_s` lets it. One reading scatters by `noise_V`, and in light by `shot_V`
    at 1 V.
    """

    slit_um: Quantity
    source_slit_um: Quantity | None = None
    volts: Positive
    reference_V: Positive | None = None
    dark_V: Quantity
    stray_V: NotNegative = 0.0
    noise_V: NotNegative
    shot_V: NotNegative
    settle_s: Positive
    integration_s: NotNegative = 0.02
    mains_hz: Positive = 50.0
    full_scale_V: Positive
    resolution_V: Positive


class UnevenRecord(Part):
    """Light over the picture: each size is the most that is drawn, 0 for light that is the same all over.

    `field_deg` is the angle to the axis at which the camera sees the picture's corner (cos^4), `vignetting` the share
    lost there beside, `off_centre_px` how far that axis stands from the picture's middle; `gradient` is a slope each
    way over the picture's width, `lamp_image` a soft spot of about `lamp_image_px` (1 sd), all in shares of the light.
    """

    field_deg: Annotated[float, Field(ge=0, le=60)] = 0.0
    vignetting: Annotated[float, Field(ge=0, le=0.5)] = 0.0
    off_centre_px: NotNegative = 0.0
    gradient: Annotated[float, Field(ge=0, le=0.5)] = 0.0
    lamp_image: Annotated[float, Field(ge=0, le=0.5)] = 0.0
    lamp_image_px: Positive = 100.0


class CameraRecord(Part):
    """`knee`: the share of full well from which the answer bends towards it; None: it is straight to the end.

    `gamma`: grey values go with light to the power of one over it. `auto_gain`: the mean grey value, as a share of full
    scale, to which the camera turns its gain by itself with each picture, whatever it was asked for; None: it does not.
    """

    width_px: Annotated[int, Field(ge=64, le=8192)]
    height_px: Annotated[int, Field(ge=64, le=8192)]
    pixel_um: Quantity
    blur_px: NotNegative
    full_well_e: Positive
    read_noise_e: NotNegative
    offset: Annotated[int, Field(ge=0, le=20000)]
    bits: Annotated[int, Field(ge=8, le=16)]
    off_centre_px: NotNegative
    drift_px: NotNegative
    knee: Annotated[float, Field(gt=0, lt=1)] | None = None
    gamma: Annotated[float, Field(ge=1, le=3)] = 1.0
    auto_gain: Annotated[float, Field(gt=0, lt=1)] | None = None
