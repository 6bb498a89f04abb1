"""What a world file may say: records, uncertainties and shapes of everything in the world, independent of pace."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator

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


class CarriageRecord(Part):
    """Places in um from the reference mark; `cumulative` is the screw's error per um."""

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
    """`knee`: the share of full well from which the answer bends towards it; None: it is straight to the end."""

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


class LayerRecord(Part):
    thickness_mm: Quantity
    index: Quantity
    dispersion_per_nm: float = 0.0


class GapRecord(Part):
    """Air between plates, or behind one."""

    air_gap_mm: Quantity


PLATE, GAP = "LayerRecord", "GapRecord"


def _plate_or_gap(stands: Any) -> str:
    keys = stands if isinstance(stands, dict) else getattr(stands, "model_fields_set", ())
    return GAP if "air_gap_mm" in keys else PLATE


LayerOrGap = Annotated[
    Annotated[LayerRecord, Tag(PLATE)] | Annotated[GapRecord, Tag(GAP)], Discriminator(_plate_or_gap)
]


class TargetRecord(Part):
    """`side_mm`: of the square, where the pixels are counted; with collimator_reticle on the reticle. `cover`: plates
    over what the base's depth is taken to, from the lens on, with the air between and behind them; none as a rule.
    """

    side_mm: Quantity
    turn_deg: float
    transmission: Annotated[float, Field(ge=0, lt=1)]
    cover: Annotated[list[LayerOrGap], Field(max_length=8)] = Field(default_factory=list)


class BaseRecord(Part):
    """`depth_um`: from the base's face to the plane of target or sensor, at carriage 0 where that stands on it; with
    autocollimation to the source. `sag_um_per_N`: how far a lens's weight pulls the seat away.
    """

    seat: Name
    depth_um: Quantity
    alpha_per_K: Quantity
    sag_um_per_N: Quantity | None = None


class AdapterRecord(Part):
    """`wedge_um`: how much farther out than the indicator's bridge what rests on it finds its uneven seat."""

    seat_below: Name
    seat_above: Name
    length_um: Quantity
    alpha_per_K: Quantity
    wedge_um: Quantity | None = None


class GlassRecord(Part):
    layers: Annotated[list[LayerOrGap], Field(min_length=1, max_length=8)]
    fits: list[Name]


class ReferenceRecord(Part):
    length_um: Quantity
    alpha_per_K: Quantity


class FilterRecord(Part):
    transmission: Annotated[float, Field(gt=0, le=1)]


class LensRecord(Part):
    """`twin_of`: a lens whose hidden errors this one shares; wavefronts in waves of 546 nm, wide open."""

    mount: Name
    twin_of: Name | None = None
    focal_length_mm: Quantity
    f_number: Positive
    f_number_ratio: Quantity
    principal_gap_mm: Quantity
    flange_error_um: Quantity
    w040_waves: Quantity
    w060_waves: Quantity
    chromatic_um_per_nm: Quantity
    mass_g: Positive | None = None
    stop_overrun_um: Quantity
    mark_ratio: Quantity
    designed_for_glass: Name | None = None
    shims_fitted_um: list[Positive] = Field(default_factory=list)


class MountRecord(Part):
    flange_depth_um: Positive


class RoomRecord(Part):
    """`vergence_per_m`: of a collimator's light where the lens stands, positive as from an object before the lens.

    `distance_mm` is from the target to the wall with the adapters `distance_over` on the bench and a lens in focus on
    them; other adapters, mounts or plates move the target, and the wall stays where it is.
    """

    temperature_C: Quantity
    distance_mm: Quantity | None = None
    distance_over: list[Name] = Field(default_factory=list)
    vergence_per_m: Quantity | None = None
    tape_ratio_u: NotNegative = 0.001


class CollimatorRecord(Part):
    """`parallel_at_um`: where the carriage stands when the reticle's light is parallel; `before_lens_mm`: from its rear
    focal point to the lens's front one, positive as the light goes.
    """

    focal_length_mm: Quantity
    parallel_at_um: Quantity
    before_lens_mm: Quantity

    @model_validator(mode="after")
    def _converges(self) -> CollimatorRecord:
        if not self.focal_length_mm.record > 0:
            raise ValueError("the focal_length_mm of a collimator must be above 0")
        return self


class MirrorRecord(Part):
    """`before_lens_mm`: from the lens's front focal point; `curvature_per_km`: one over its radius, 0 for a flat one,
    positive where it bulges towards the lens.
    """

    before_lens_mm: Quantity
    curvature_per_km: Quantity


class FittedRecord(Part):
    adapters: list[Name] = Field(default_factory=list)
    glass: list[Name] = Field(default_factory=list)
    lens: Name | None = None


class JointRecord(Part):
    """`stand_off_um`: what dirt holds the two faces apart by at most, evenly from none to that at each fitting."""

    u: NotNegative
    shape: Shape = "normal"
    stand_off_um: NotNegative = 0.0


class ShimRecord(Part):
    stock_um: list[Positive]
    u: NotNegative
    shape: Shape = "normal"


class WorldRecord(Part):
    """The whole file.

    `collimator` is for the arrangement collimator_reticle, `mirror` and `pickup_um`, by how much the detector stands
    deeper than the source, for autocollimation.
    """

    world: Name
    arrangement: Literal["wall", "collimated", "collimator_reticle", "autocollimation"]
    room: RoomRecord
    collimator: CollimatorRecord | None = None
    mirror: MirrorRecord | None = None
    pickup_um: Quantity | None = None
    carriage: CarriageRecord
    encoder: EncoderRecord
    indicator: IndicatorRecord
    lamp: LampRecord
    camera: CameraRecord
    uneven: UnevenRecord = Field(default_factory=UnevenRecord)
    target: TargetRecord
    base: BaseRecord
    joint: JointRecord
    shims: ShimRecord
    mounts: dict[Name, MountRecord]
    adapters: dict[Name, AdapterRecord]
    glasses: dict[Name, GlassRecord]
    references: dict[Name, ReferenceRecord]
    filters: dict[Name, FilterRecord] = Field(default_factory=dict)
    lenses: dict[Name, LensRecord]
    fitted: FittedRecord = Field(default_factory=FittedRecord)
