"""The terms of the datum chain, each with value, standard uncertainty, degrees of freedom and source.

Values are contributions to the carriage position: terms on the lens's side of the target are added, those of the bench
(base, adapters, joints, growth) are subtracted. Lengths in um.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from benchd.assessments.finding import AtWall
from benchd.files.artefacts import Adapter, AirGap, Glass, Layer, plates
from benchd.files.bench_file import BenchFile
from benchd.metrology.budget import HYSTERESIS_SHAPE, Part, standard_u
from benchd.metrology.chain_term import ChainTerm, Shape
from benchd.optics.expansion import REFERENCE_C, U_ALPHA_REL, coefficient_u_um
from benchd.optics.plate import paraxial_shift_um, paraxial_u_um

if TYPE_CHECKING:
    from benchd.arrangements.setup_document import SetupDocument

EACH_SEATING = "each seating"
"""The part of the line of joints that is drawn anew by each seating, whoever does it."""

UNSTATED_HALF_RANGE_K = 10.0
"""A room of unstated temperature is taken to be within this of the reference, rectangular."""

LEAST_ABBE = 30.0
"""Plates behind a lens have a V number above this (common practice, no source): bounds the index at another colour."""

ALIKE_REL = 1e-3
"""Shares of hysteresis this near are of one gauge, let down in one way."""

_F_MINUS_C_NM = 170.1


@dataclass(frozen=True, slots=True)
class Shares:
    """The parts of a calibration's u (um) that come from the bench's own scale, carriage and gauge, and from the
    thickness of the target's cover, on which the gauge's tip rests: other lengths share them."""

    scale_um: float = 0.0
    abbe_um: float = 0.0
    hysteresis_um: float = 0.0
    gain_um: float = 0.0
    cover_um: float = 0.0

    @property
    def u_um(self) -> float:
        """All parts combined."""
        return math.hypot(self.scale_um, self.abbe_um, self.hysteresis_um, self.gain_um, self.cover_um)

    @property
    def cover_only(self) -> Shares:
        """The only part that is shared if nothing of the bench moved in the measurement."""
        return Shares(cover_um=self.cover_um)


@dataclass(frozen=True, slots=True)
class CalibrationInForce:
    """What an artefact was calibrated to be at `at_C`, in `unit`: a length in um as a rule.

    `carriage_um` is the carriage reading at which a base was calibrated, or an adapter's upper seat was found; None if
    not known (for a base then 0, where its length is defined). For the artefact `joint` (a gauge study) the value is 0
    and u is that of one pair. `setup` is the revision of the set-up at which it was measured, `light_nm` the light that
    it holds for, None where that does not count; `how` says how it was come by. `common_u` is what of u stays the same
    however often a pair is seated anew. `withdrawn`: it holds no more, and nothing is known in its place. `lens` is
    the specimen that it was measured with.
    """

    id: str
    artefact: str
    value: float
    u: float
    dof: float | None = None
    at_C: float = REFERENCE_C
    carriage_um: float | None = None
    shares: Shares = Shares()
    setup: int | None = None
    at_wall: AtWall | None = None
    light_nm: float | None = None
    how: str = ""
    common_u: float = 0.0
    withdrawn: bool = False
    unit: str = "um"
    lens: str | None = None


@dataclass(frozen=True, slots=True)
class Length:
    """A part of the bench: its length, the temperature at which it holds, its source, and where it was measured."""

    term: str
    length_um: float
    u_um: float
    dof: float | None
    at_C: float
    alpha_per_K: float
    source: str
    calibrated: bool
    carriage_um: float | None = None
    shares: Shares = Shares()

    def as_term(self) -> ChainTerm:
        return ChainTerm(self.term, -self.length_um, self.u_um, self.dof, "normal", self.source)

    def as_line(self, shared: Shares) -> ChainTerm:
        """The term without the `shared` parts of its u, which other lines of the chain hold once."""
        shared_um = shared.u_um
        if not shared_um:
            return self.as_term()
        own = math.sqrt(max(0.0, self.u_um**2 - shared_um**2))
        # The part removed has infinite degrees of freedom: the rest keeps u^4 / dof (JCGM 100, G.4.1).
        dof = None if self.dof is None or not own else self.dof * (own / self.u_um) ** 4
        return replace(self.as_term(), u_um=own, dof=dof)


def base_length(bench_file: BenchFile, calibration: CalibrationInForce | None) -> Length:
    """Base face to target at carriage reading 0: by calibration, else as given in the bench file."""
    base = bench_file.base
    if calibration is None:
        given = base.given
        return Length("base", given.length_um, given.u_um, given.dof, given.at_C, base.alpha_per_K, "bench file", False)
    return _calibrated("base", calibration, base.alpha_per_K)


def adapter_length(adapter: Adapter, calibration: CalibrationInForce | None) -> Length:
    """An adapter's length: by calibration, else as its record gives it."""
    term = f"adapter {adapter.id}"
    alpha = adapter.material.alpha_per_K
    if calibration is None:
        given = adapter.given
        by = f"given by {given.by}" if given.by else "given in its record"
        return Length(term, given.length_um, given.u_um, given.dof, given.at_C, alpha, by, False)
    return _calibrated(term, calibration, alpha)


def _calibrated(term: str, calibration: CalibrationInForce, alpha_per_K: float) -> Length:
    return Length(
        term,
        calibration.value,
        calibration.u,
        calibration.dof,
        calibration.at_C,
        alpha_per_K,
        calibration.id,
        True,
        calibration.carriage_um,
        calibration.shares,
    )


def colour_u_index(layer: Layer, nm: float) -> float:
    """Standard uncertainty of a layer's index as the light is other by so much."""
    per_nm = (layer.index - 1.0) / LEAST_ABBE / _F_MINUS_C_NM
    return standard_u(per_nm * abs(nm), "rectangular")


def plates_term(
    name: str, stack: Sequence[Layer | AirGap], source: str, light_nm: float | None, *, gauged: bool = False
) -> ChainTerm:
    """Paraxial shift t (1 - 1/n) of plates, their errors independent of each other; air between them shifts nothing.

    With `gauged` the base was measured through them: an excess thickness then moves the target deeper by all of it and
    the image by (1 - 1/n) of it, so that 1/n of it is left, and of an air gap all.

    If the light differs from the one that the index is stated for, the index is uncertain by the most that glass of
    V = LEAST_ABBE would change over that wavelength difference, as a rectangular error.
    """
    layers = plates(stack)
    value = sum(paraxial_shift_um(layer.thickness_mm, layer.index) for layer in layers)
    thicknesses, indices = [], []
    for layer in layers:
        u_colour = 0.0 if light_nm is None else colour_u_index(layer, light_nm - layer.at_nm)
        u_index = math.hypot(layer.u_index, u_colour)
        if gauged:
            thicknesses.append(1000.0 * layer.u_mm / layer.index)
        else:
            thicknesses.append(paraxial_u_um(layer.thickness_mm, layer.u_mm, layer.index, 0.0))
        indices.append(paraxial_u_um(layer.thickness_mm, 0.0, layer.index, u_index))
    if gauged:
        thicknesses += [1000.0 * gap.u_mm for gap in stack if isinstance(gap, AirGap)]
    parts = (Part("thickness", math.hypot(*thicknesses)), Part("index", math.hypot(*indices)))
    return ChainTerm(name, value, math.hypot(*thicknesses, *indices), None, "normal", source, parts=parts)


def cover_u_um(cover: Sequence[Layer | AirGap]) -> float:
    """Standard uncertainty of a cover's thickness, air gaps included."""
    return 1000.0 * math.hypot(*(layer.u_mm for layer in cover))


def glass_term(glass: Glass, light_nm: float | None) -> ChainTerm:
    """The rear glass of one record."""
    return plates_term(f"glass {glass.id}", glass.layers, glass.id, light_nm)


def joints_term(pairs: int, bench_file: BenchFile, study: CalibrationInForce | None) -> ChainTerm:
    """Zero for each mated pair; u of one pair times the square root of their number."""
    if study is not None:
        each, common = (math.sqrt(pairs * u2) for u2 in (study.u**2 - study.common_u**2, study.common_u**2))
        parts = (Part(EACH_SEATING, each), Part("people", common)) if common else ()
        return ChainTerm("joints", 0.0, study.u * math.sqrt(pairs), study.dof, "normal", study.id, "A", parts)
    joint = bench_file.joint
    return ChainTerm("joints", 0.0, joint.u_um * math.sqrt(pairs), joint.dof, "normal", "bench file")


@dataclass(frozen=True, slots=True)
class Temperature:
    """The temperature that the chain is computed for, its u, and its source."""

    at_C: float
    u_K: float
    source: str
    stated: bool


def temperature_of(temperature_C: float | None, u_K: float, rev: int) -> Temperature:
    """The temperature of set-up `rev`; if not stated, the reference temperature with a wide rectangular uncertainty."""
    if temperature_C is None:
        u_K = standard_u(UNSTATED_HALF_RANGE_K, "rectangular")
        return Temperature(REFERENCE_C, u_K, "temperature not stated", False)
    return Temperature(temperature_C, u_K, f"typed, setup-{rev}", True)


def temperature_told(file: BenchFile, setup: SetupDocument) -> Temperature:
    """The same of a set-up, by whoever told it."""
    by = setup.told_by.get("temperature_C")
    found = temperature_of(setup.temperature_C, file.u_temperature_K(by is not None), setup.rev)
    return found if by is None else replace(found, source=f"{by}, setup-{setup.rev}")


@dataclass(frozen=True, slots=True)
class Growth:
    """Thermal growth of one part: its slope with the common temperature, and its own uncertainty from alpha."""

    term: ChainTerm
    per_K: float
    u_own_um: float


def growth(name: str, length_um: float, alpha_per_K: float, at_C: float, now: Temperature) -> Growth:
    """alpha L (T - T_cal), subtracted. Its u has a part from the temperature, common to all, and one from alpha."""
    delta_K = now.at_C - at_C
    per_K = -alpha_per_K * length_um
    u_own = coefficient_u_um(length_um, U_ALPHA_REL * alpha_per_K, delta_K, now.u_K)
    u = math.hypot(per_K * now.u_K, u_own)
    shape: Shape = "normal" if now.stated else "rectangular"
    return Growth(ChainTerm(f"thermal {name}", per_K * delta_K, u, None, shape, now.source), per_K, u_own)


def thermal_budget(growths: Sequence[Growth], now: Temperature) -> ChainTerm:
    """All growths as one line of the budget: they share one thermometer, so their slopes add with their signs.

    The temperature at which each part was calibrated was read on another day and is in that calibration's own
    uncertainty; it is taken as independent of today's.
    """
    common = sum(part.per_K for part in growths) * now.u_K
    own = math.hypot(*(part.u_own_um for part in growths))
    value = sum(part.term.value_um for part in growths)
    shape: Shape = "normal" if now.stated else "rectangular"
    parts = (Part("temperature", abs(common)), Part("expansion", own))
    return ChainTerm("thermal", value, math.hypot(common, own), None, shape, now.source, parts=parts)


def gauge_terms(base: Length, adapters: Sequence[Length]) -> list[ChainTerm]:
    """Lines of the hysteresis and the gain of the gauge that measured base and adapters; none without one.

    Base and adapters are added up, so the gauge's common errors add with their signs (JCGM 100, 5.2.2 and F.1.2.3).
    """
    hysteresis = _hysteresis_u_um(base.shares.hysteresis_um, [part.shares.hysteresis_um for part in adapters])
    gain = sum(part.shares.gain_um for part in (base, *adapters))
    source = ", ".join(part.source for part in (base, *adapters) if part.shares.hysteresis_um or part.shares.gain_um)
    lines = [
        ChainTerm("gauge hysteresis", 0.0, hysteresis, None, HYSTERESIS_SHAPE, source),
        # On which side of its middle a gauge read is not recorded. It is the same gain each time, so the sum bounds it.
        ChainTerm("gauge gain", 0.0, gain, None, "normal", source),
    ]
    return [line for line in lines if line.u_um > 0.0]


def _hysteresis_u_um(of_base: float, of_adapters: Sequence[float]) -> float:
    """The u of all lengths together, from those of the base and of each adapter.

    A tip approaches ring, base and seats from one side or the other, but each kind of face always from the same: a
    reading is off by half of the hysteresis h, s = +-h/2. The base is off by `s(base) - s(ring)`, an adapter by
    `s(seat) - s(base)`. With one adapter the base face cancels, and one of two hystereses is left; with n adapters the
    sum is `n s(seat) - (n - 1) s(base) - s(ring)`, which grows with n and not with its root. Where the base has another
    share than an adapter, as its tip was let down or the gauge was another one, nothing of the two cancels.
    """
    all_adapters = sum(of_adapters)
    if not of_adapters or not math.isclose(of_base, max(of_adapters), rel_tol=ALIKE_REL):
        return math.hypot(of_base, all_adapters)
    base, adapters = of_base / math.sqrt(2.0), all_adapters / math.sqrt(2.0)
    return math.hypot(base, base - adapters, adapters)
