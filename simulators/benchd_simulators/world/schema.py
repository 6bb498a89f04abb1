"""What a world file may say: records, uncertainties and shapes of everything in the world, independent of pace."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from benchd_simulators.world.drawing import Shape
from benchd_simulators.world.hardware import (
    AbbeRecord,
    BoardRecord,
    CameraRecord,
    CarriageRecord,
    DialRecord,
    EncoderRecord,
    IndicatorRecord,
    LampRecord,
    Name,
    NotNegative,
    Part,
    PhotodiodeRecord,
    Positive,
    Quantity,
    TurnedRecord,
    UnevenRecord,
)

__all__ = [
    "AbbeRecord",
    "AdapterRecord",
    "BaseRecord",
    "BoardRecord",
    "CameraRecord",
    "CarriageRecord",
    "CollimatorRecord",
    "DialRecord",
    "EncoderRecord",
    "FilterRecord",
    "FittedRecord",
    "FlatRecord",
    "GapRecord",
    "GlassRecord",
    "IndicatorRecord",
    "JointRecord",
    "LampRecord",
    "LayerRecord",
    "LensRecord",
    "MirrorRecord",
    "MountRecord",
    "Quantity",
    "ReferenceRecord",
    "RoomRecord",
    "ShimRecord",
    "TargetRecord",
    "TubeRecord",
    "UnevenRecord",
    "WorldRecord",
]


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


class FocusRingRecord(Part):
    """The ring's angle where the lens is set to infinity, how much deeper a degree takes the image, and where between
    it is engraved (m)."""

    infinity_deg: Quantity
    um_per_deg: Positive
    marks_m: list[Positive]


class IrisRingRecord(Part):
    """The ring's angle where the lens is wide open, and how far it is to the next stop, always the same."""

    open_deg: float
    deg_per_stop: Positive


class LensRingsRecord(Part):
    """The rings that have a gear."""

    focus: FocusRingRecord | None = None
    iris: IrisRingRecord | None = None


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
    rings: LensRingsRecord = Field(default_factory=LensRingsRecord)
    designed_for_glass: Name | None = None
    shims_fitted_um: list[Positive] = Field(default_factory=list)


class MountRecord(Part):
    flange_depth_um: Positive


class RoomMetersRecord(Part):
    """Meters that tell of the room, each by its error: a thermometer's (K), that of a range finder on the base face,
    which looks at the wall (mm), and a level's (arcmin) on a bench that leans by `lean_arcmin`."""

    thermometer_K: Quantity
    range_finder_mm: Quantity
    level_arcmin: Quantity
    lean_arcmin: Quantity


class RoomRecord(Part):
    """`vergence_per_m`: of a collimator's light where the lens stands, positive as from an object before the lens.

    `distance_mm` is from the target to the wall with the adapters `distance_over` on the bench and a lens in focus on
    them; other adapters, mounts or plates move the target, and the wall stays where it is. The room warms by
    `drift_K_per_h`, whatever a hand has set it to.
    """

    temperature_C: Quantity
    drift_K_per_h: float = 0.0
    distance_mm: Quantity | None = None
    distance_over: list[Name] = Field(default_factory=list)
    vergence_per_m: Quantity | None = None
    tape_ratio_u: NotNegative = 0.001
    meters: RoomMetersRecord | None = None


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


class TubeRecord(Part):
    """A collimator's draw tube with the reticle at its end, in the arrangement collimated; `parallel_at_um`: what its
    scale reads where the light is parallel at the reference temperature, `drift_um_per_K`: how much farther from the
    collimator's lens the focus moves; `before_lens_mm`: from the collimator's lens to where lenses and flats stand.

    A person reads the scale with a scatter of `reading_um`, and sets it by autocollimation with one of `setting_um`.
    """

    focal_length_mm: Quantity
    parallel_at_um: Quantity
    drift_um_per_K: Quantity
    before_lens_mm: Positive
    grows: Literal["away", "toward"] = "away"
    travel_um: Annotated[list[float], Field(min_length=2, max_length=2)]
    reading_um: NotNegative
    setting_um: NotNegative


class FlatRecord(Part):
    """`sag_um`: how much its middle, over `over_mm`, bulges towards the collimator."""

    sag_um: Quantity
    over_mm: Positive


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

    Without an `encoder`, a `dial` on the carriage, or a `photodiode` behind a slit, none stands on the bench.

    `collimator` is for the arrangement collimator_reticle, `tube` and the `flats` that it is set by for collimated,
    `mirror` and `pickup_um`, by how much the detector stands
    deeper than the source, for autocollimation.
    """

    world: Name
    arrangement: Literal["wall", "collimated", "collimator_reticle", "autocollimation"]
    room: RoomRecord
    collimator: CollimatorRecord | None = None
    tube: TubeRecord | None = None
    flats: dict[Name, FlatRecord] = Field(default_factory=dict)
    mirror: MirrorRecord | None = None
    pickup_um: Quantity | None = None
    board: BoardRecord = Field(default_factory=BoardRecord)
    carriage: CarriageRecord
    turned: dict[Literal["focus", "iris"], TurnedRecord] = Field(default_factory=dict)
    encoder: EncoderRecord | None = None
    dial: DialRecord | None = None
    indicator: IndicatorRecord
    lamp: LampRecord
    camera: CameraRecord
    photodiode: PhotodiodeRecord | None = None
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
