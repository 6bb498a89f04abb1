"""Models of the records, one file each: adapters, glasses, references, lenses.

A record says what a part is; its length comes from calibrations, with `given` as the fallback.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Discriminator, Field, Tag, model_validator

from benchd.files import known_to
from benchd.files.bounds import Within, beside
from benchd.files.names import Name, Record, RecordId, label_of

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Celsius = Annotated[float, Field(ge=0, le=45)]
"""A room in degrees Celsius; the range catches most of what was read in Fahrenheit, where a room of 20 is 68."""
Expansion = Annotated[float, Field(ge=-1e-5, le=2e-4)]
"""Linear expansion in 1/K; the range catches a value written in 1e-6/K."""


Length = Annotated[float, Within(50.0, 1e6, "um")]
"""Of an adapter or a setting ring, in um."""
Shim = Annotated[float, Within(1.0, 5000.0, "um")]
Dof = Annotated[float, Within(2.0, 10000.0)]
"""Degrees of freedom of a stated standard uncertainty, left out where it is taken as exact: 8 where it is itself known
to 25 %, 50 to 10 %, half over the square of that share (JCGM 100, G.4.2)."""


class PrincipalGap(Record):
    """How far the second principal plane lies behind the first (mm), with its standard uncertainty."""

    value: Annotated[float, Within(-500.0, 500.0, "mm")]
    u: known_to.OfPrincipalGap
    dof: Dof | None = None


class FocalLength(Record):
    """A focal length (mm) with its standard uncertainty."""

    value: Annotated[float, Within(1.0, 5000.0, "mm")]
    u: known_to.OfFocalLength
    dof: Dof | None = None

    @model_validator(mode="after")
    def _known(self) -> Self:
        beside(self.u, self.value, "value", "u", least=1e-5)
        return self


class Material(Record):
    """What a part is made of, as far as length matters."""

    alpha_per_K: Expansion


class Given(Record):
    """A length as its maker or a certificate states it.

    `points_um` are deviations from it around the ring, one for each place measured; an adapter's bound its wedge.
    """

    length_um: Length
    u_um: Positive
    dof: Dof | None = None
    at_C: Celsius = 20.0
    points_um: tuple[Annotated[float, Within(-500.0, 500.0, "um")], ...] = ()
    by: str = ""

    @model_validator(mode="after")
    def _known(self) -> Self:
        beside(self.u_um, self.length_um, "length_um", "u_um")
        return self


class GivenOfAdapter(Given):
    """The same of an adapter."""

    u_um: known_to.OfAdapter


class GivenOfReference(Given):
    """The same of a reference: what others are measured from is known better than what a workshop turns."""

    u_um: known_to.OfReference


class Adapter(Record):
    """A ring between the bench's base and the lens; in one that `turns` a lens can be turned (nothing does so yet)."""

    adapter: RecordId
    seat_below: Name
    seat_above: Name
    material: Material
    given: GivenOfAdapter
    turns: bool = False

    @property
    def id(self) -> str:
        return self.adapter

    @property
    def label(self) -> str:
        """As engraved: the id with its check character."""
        return label_of(self.adapter)


class Layer(Record):
    """One plane-parallel plate: thickness in mm, index against air at a wavelength in nm, standard uncertainties."""

    thickness_mm: Annotated[float, Within(0.01, 100.0, "mm")]
    u_mm: known_to.OfThickness
    index: Annotated[float, Field(gt=1, lt=4)]
    u_index: known_to.OfIndex
    at_nm: Annotated[float, Within(200.0, 2500.0, "nm")]

    @model_validator(mode="after")
    def _known(self) -> Self:
        beside(self.u_mm, self.thickness_mm, "thickness_mm", "u_mm")
        return self


class AirGap(Record):
    """Air between two plates, or between a plate and what it covers: it takes room and does not move the image (mm)."""

    air_gap_mm: Annotated[float, Within(0.001, 100.0, "mm")]
    u_mm: known_to.OfGap

    @property
    def thickness_mm(self) -> float:
        return self.air_gap_mm

    @model_validator(mode="after")
    def _known(self) -> Self:
        beside(self.u_mm, self.air_gap_mm, "air_gap_mm", "u_mm", most=0.5)
        return self


def _plate_or_gap(value: Any) -> str:
    keys = value if isinstance(value, dict) else getattr(value, "model_fields_set", ())
    return "gap" if "air_gap_mm" in keys else "plate"


LayerOrGap = Annotated[Annotated[Layer, Tag("plate")] | Annotated[AirGap, Tag("gap")], Discriminator(_plate_or_gap)]
"""One layer of a stack, in order from the lens to the target."""


def plates(layers: Iterable[Layer | AirGap]) -> tuple[Layer, ...]:
    """The layers that shift the image: air gaps do not, wherever they are in the cone."""
    return tuple(layer for layer in layers if isinstance(layer, Layer))


def full_thickness_mm(layers: Iterable[Layer | AirGap]) -> float:
    """From the first face to the last, air gaps included: for clearance, and for a gauge's tip resting on a cover."""
    return sum(layer.thickness_mm for layer in layers)


def _begins_with_a_plate(layers: tuple[Layer | AirGap, ...]) -> tuple[Layer | AirGap, ...]:
    if layers and isinstance(layers[0], AirGap):
        raise ValueError("a plate first: layers are listed from the lens on, and the air before a stack is none of it")
    return layers


def _ends_with_a_plate(layers: tuple[Layer | AirGap, ...]) -> tuple[Layer | AirGap, ...]:
    if layers and isinstance(layers[-1], AirGap):
        raise ValueError("a plate last: the air behind a glass is none of it")
    return layers


Cover = Annotated[tuple[LayerOrGap, ...], AfterValidator(_begins_with_a_plate)]
"""Plates over a target, and air behind them."""


class Glass(Record):
    """A plate, or several cemented or stacked, behind the lens; `fits` names the adapters that hold it (none: all)."""

    glass: RecordId
    layers: Annotated[Cover, Field(min_length=1), AfterValidator(_ends_with_a_plate)]
    fits: tuple[RecordId, ...] = ()

    @property
    def id(self) -> str:
        return self.glass

    @property
    def thickness_mm(self) -> float:
        """Full thickness of all layers."""
        return full_thickness_mm(self.layers)


class Flatness(Record):
    """How flat a mirror is, as it is sold: so much from plane, peak to valley, over that diameter."""

    flatness_um: Annotated[float, Field(gt=0), Within(1e-3, 10.0, "um", why="the best flats are known to 0.005 µm")]
    over_mm: Annotated[float, Within(1.0, 1000.0, "mm")]

    @property
    def least_radius_mm(self) -> float:
        """Radius of a sphere that is so far from plane at its middle (sagitta, r^2 / 2R)."""
        return self.over_mm**2 / (8.0 * self.flatness_um / 1000.0)


class Reference(Record):
    """Something whose length or error is known: a setting ring, a flat, a check lens."""

    reference: RecordId
    kind: Literal["setting_ring", "flat", "check_lens"]
    material: Material | None = None
    given: GivenOfReference | None = None
    flat: Flatness | None = None

    @property
    def id(self) -> str:
        return self.reference

    @model_validator(mode="after")
    def _ring_has_length(self) -> Self:
        if self.kind == "setting_ring" and (self.given is None or self.material is None):
            raise ValueError("kind setting_ring needs both 'given' (its length) and 'material' (its expansion)")
        return self

    @model_validator(mode="after")
    def _flat_is_of_a_flat(self) -> Self:
        if self.flat is not None and self.kind != "flat":
            raise ValueError("flat: how flat it is; of a reference of kind flat only")
        return self


class FocusScale(Record):
    """The engraved distances, kept as engraved: numbers in `unit`, and `inf`."""

    unit: Literal["m", "ft"]
    marks: Annotated[tuple[Annotated[float, Within(0.01, 10000.0)] | Literal["inf"], ...], Field(min_length=1)]


Angle = Annotated[float, Within(-3600.0, 3600.0, "deg")]


class FocusMark(Record):
    """Where the focus ring stands at an engraved distance, as engraved: the angle of the axis that turns it."""

    mark: Annotated[float, Within(0.01, 10000.0)] | Literal["inf"]
    deg: Angle


class StopMark(Record):
    """Where the iris ring stands at an engraved stop: the angle of the axis that turns it."""

    mark: Annotated[float, Within(0.5, 64.0)]
    deg: Angle


class RingMarks(Record):
    """Angles of the engravings, as an axis with the role `focus_ring` or `iris_ring` counts them with its gear on this
    lens, each come to from that axis's own side."""

    focus: tuple[FocusMark, ...] = ()
    iris: tuple[StopMark, ...] = ()

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        for name, marks in (("focus", self.focus), ("iris", self.iris)):
            if len({one.mark for one in marks}) < len(marks):
                raise ValueError(f"{name}: each mark once")
        return self


class LensTolerance(Record):
    """How far from nominal a lens may be: half the width of the interval, in um."""

    flange_um: Annotated[float, Within(0.5, 1000.0, "um")]


class Lens(Record):
    """A lens in the register."""

    lens: RecordId
    model: str = ""
    serial: str = ""
    mount: Name
    kind: Literal["prime", "zoom"] = "prime"
    squeeze: Annotated[float, Field(ge=1, le=3)] = 1.0
    focal_length_mm: FocalLength
    principal_gap_mm: PrincipalGap | None = None
    f_number: Annotated[float, Field(ge=0.5, le=64)]
    t_number: Annotated[float, Field(ge=0.5, le=64)] | None = None
    rear_protrusion_mm: Annotated[float, Field(ge=-100, le=200)] | None = None
    mass_g: Annotated[float, Within(5.0, 50e3, "g")] | None = None
    designed_for_glass: RecordId | None = None
    scale: FocusScale | None = None
    ring_marks: RingMarks = RingMarks()
    tolerance: LensTolerance | None = None
    shims_fitted_um: tuple[Shim, ...] = ()
    owner: str = ""
    set: str = ""

    @property
    def id(self) -> str:
        return self.lens
