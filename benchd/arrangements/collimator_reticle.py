"""The sensor is fixed behind the lens; the carriage holds the reticle of a collimator before it.

With r = carriage - parallel_at, positive away from collimator and lens, s = (f / fc)^2 and d from the collimator's rear
focal point to the lens's front one, the image of the reticle lies s r / (1 - d r / fc^2) shallower than that of
infinity: Newton's equation twice. So the sensor, Delta deeper than nominal, is effectively deeper by another
s r / (1 - d r / fc^2), and that sum is the offset.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, ClassVar, Self

from pydantic import Field, model_validator

from benchd.arrangements.arrangement import Arrangement, Stands
from benchd.arrangements.conjugate import AT_A_MARK, ConjugateTerm, parallel_light
from benchd.arrangements.places import FixedDepth, Places
from benchd.arrangements.setup_document import SetupDocument
from benchd.assessments.improvements import OF_A_ZERO
from benchd.files import known_to
from benchd.files.artefacts import Lens
from benchd.files.bench_file import BenchFile
from benchd.files.bounds import Within, beside
from benchd.metrology.budget import Part
from benchd.metrology.chain_term import ChainTerm

if TYPE_CHECKING:
    from benchd.files.loading import LoadedBench
    from benchd.files.problems import Problem

MOST_BENT = 0.5
"""Share of its distance to the lens's front focus by which the travel may move the reticle's image towards it: at the
front focus itself the lens forms no image."""

U_BEFORE_LENS_MM = 20.0
"""Uncertainty of the distance from collimator to lens if not stated: a rule held to housings (common practice)."""


@dataclass(frozen=True, slots=True)
class AtReticle(FixedDepth):
    """Positions of the reticle. `ratio` is s, `bend_per_um` d / fc^2; `delta_um` is None without a lens.

    `u_ratio_rel` is the relative uncertainty of the focal lengths of lens and collimator, which s depends on,
    `u_zero_um` the uncertainty of `parallel_at_um`, `u_bend_per_um` that of d / fc^2.
    """

    found_by = "reticle"

    depth_fixed_um: float
    delta_um: float | None
    parallel_at_um: float
    ratio: float
    bend_per_um: float
    scale_growth: float
    u_ratio_rel: tuple[float, float]
    u_zero_um: float
    u_bend_per_um: float

    @property
    def stands_um(self) -> float:
        return self.depth_fixed_um

    def offset_um(self, carriage_um: float) -> float | None:
        if self.delta_um is None:
            return None
        r = self._reticle_um(carriage_um)
        left = 1.0 - self.bend_per_um * r
        # Beyond this the reticle's image has passed the lens's front focus, and the lens forms no image on this side.
        return self.delta_um + self.ratio * r / left if left > 0.0 else math.copysign(math.inf, r)

    def carriage_um(self, offset_um: float) -> float | None:
        if self.delta_um is None:
            return None
        x = (offset_um - self.delta_um) / self.ratio
        left = 1.0 + self.bend_per_um * x
        if left <= 0.0:
            return math.copysign(math.inf, x)
        return self.parallel_at_um + x / left / (1.0 + self.scale_growth)

    def slope(self, carriage_um: float) -> float:
        return self.ratio / (1.0 - self.bend_per_um * self._reticle_um(carriage_um)) ** 2

    def zero_um(self, calibrated_at_um: float) -> float:
        return self.parallel_at_um

    def by_scale_um(self, carriage_um: float) -> float:
        return self.ratio * (carriage_um - self.parallel_at_um)

    def reached(self, low_um: float, high_um: float) -> str:
        low, high = self.offset_um(low_um), self.offset_um(high_um)
        if low is None or high is None:
            return ""
        return f": with this lens the reticle reaches offsets of {low:+.0f} to {high:+.0f} µm".replace("-", "\u2212")

    def lines(self, offset_um: float) -> tuple[ChainTerm, ...]:
        """Lines of the position where the light leaves parallel, and of s, which scales with the distance from it."""
        if self.delta_um is None:
            return ()
        gained_um = (offset_um - self.delta_um) / self.ratio
        r = gained_um / (1.0 + self.bend_per_um * gained_um)
        x, left = abs(offset_um - self.delta_um), 1.0 - self.bend_per_um * r
        # Derivatives of s r / (1 - b r): s goes with the square of either focal length, b with one over fc squared.
        u_lens, u_collimator = self.u_ratio_rel
        of_lens, of_collimator = 2.0 * x * u_lens, 2.0 * x / left * u_collimator
        of_way = x * abs(r) / left * self.u_bend_per_um
        u_zero = self.ratio / left**2 * self.u_zero_um
        parts = (Part("focal length", of_lens), Part("collimator", of_collimator), Part("way to the lens", of_way))
        u_scale = math.hypot(of_lens, of_collimator, of_way)
        return (
            ChainTerm("reticle zero", 0.0, u_zero, None, "normal", "bench file"),
            ChainTerm("reticle scale", 0.0, u_scale, None, "normal", "bench file, record of the lens", parts=parts),
        )

    def _reticle_um(self, carriage_um: float) -> float:
        return (carriage_um - self.parallel_at_um) * (1.0 + self.scale_growth)


MEASURE_THE_PLATE = (
    "measure the plate's thickness and have its index stated closer, and write both with their u into its record"
)
"""Where the target is fixed no sweep reaches from focus without the plate to focus with it, so none is toggled."""


class CollimatorReticle(Arrangement):
    """See the module docstring."""

    name = "collimator_reticle"
    stands = "the sensor fixed behind the lens, the reticle of a collimator on the carriage"
    moves_target = False
    pitch_goes_with_lens = True
    cannot_tell = (
        "A focus error larger than the reticle's travel is worth, which is (focal length / collimator's)^2 of it; so "
        "not what a plate behind the lens does, whose shift is larger.",
        "What the lens does at a near distance, unless the ring is set to a mark.",
    )
    improves: ClassVar = {
        **AT_A_MARK,
        "base": f"calibrate fixed_zero again, {OF_A_ZERO}",
        "target_cover": "measure the sensor's cover, write it with its u into the bench file, then find the zero again "
        "(fixed_zero), as the old one was found through the cover as it was known",
        "adapter": "have the adapter measured on a bench whose carriage brings its target to both faces",
        "seat": f"calibrate fixed_zero again, {OF_A_ZERO}",
        "glass": MEASURE_THE_PLATE,
        "glass thickness": MEASURE_THE_PLATE,
        "glass index": MEASURE_THE_PLATE,
        "gauge": "have the gauge overhauled, or use a better one; then find the zero again by it (fixed_zero)",
        "position": "build the sensor's depth nearer nominal, so that the reticle stands nearer where light leaves "
        "parallel",
        "reticle": "find again where the collimator's light leaves parallel, and state u_parallel_at_um",
        "reticle focal length": "build the sensor's depth nearer nominal, or state focal_length_mm closer in the "
        "lens's record",
        "reticle collimator": "build the sensor's depth nearer nominal, or state u_focal_length_mm of the collimator "
        "closer",
        "reticle way to the lens": "measure before_lens_mm better and state its u",
    }

    class Config(Arrangement.Config):
        """The collimator: its focal length, the carriage's reading where its light leaves parallel, and the way from
        its rear focal point to the lens's front one, positive away from the collimator; its u covers every lens that
        is measured."""

        focal_length_mm: Annotated[float, Within(20.0, 10e3, "mm")]
        u_focal_length_mm: known_to.OfFocalLength
        parallel_at_um: Annotated[float, Within(-1e6, 1e6, "um")]
        u_parallel_at_um: Annotated[float, Field(gt=0), Within(0.05, 5e3, "um", why="an autocollimator tells 0.5 µm")]
        before_lens_mm: Annotated[float, Within(-10e3, 10e3, "mm")]
        u_before_lens_mm: Annotated[float, Field(gt=0), Within(0.01, 2e3, "mm")] = U_BEFORE_LENS_MM

        @model_validator(mode="after")
        def _known(self) -> Self:
            beside(self.u_focal_length_mm, self.focal_length_mm, "focal_length_mm", "u_focal_length_mm")
            return self

    config: Config

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        return parallel_light(lens, setup, light="Light of the collimator", source="collimator")

    def problems(self, loaded: LoadedBench, travel_um: tuple[float, float]) -> list[Problem]:
        given, (low, high) = self.config, travel_um
        if not low < given.parallel_at_um < high:
            wrong = f"a place in the carriage's travel, {low:g} to {high:g} µm"
            return [loaded.source.problem(("arrangement", "parallel_at_um"), wrong)]
        farthest_mm = max(given.parallel_at_um - low, high - given.parallel_at_um) / 1000.0
        most_mm = MOST_BENT * given.focal_length_mm**2 / farthest_mm
        if abs(given.before_lens_mm) > most_mm:
            wrong = f"at most {most_mm:.0f} mm either way, as far as the carriage takes the reticle"
            return [loaded.source.problem(("arrangement", "before_lens_mm"), wrong)]
        return []

    def places(self, stands: Stands) -> Places:
        given, lens = self.config, stands.lens
        f = lens.focal_length_mm if lens is not None else None
        fc = given.focal_length_mm
        return AtReticle(
            stands.depth_at_zero_um,
            None if stands.nominal_depth_um is None else stands.depth_at_zero_um - stands.nominal_depth_um,
            given.parallel_at_um,
            (f.value / fc) ** 2 if f is not None else 0.0,
            given.before_lens_mm / fc**2 / 1000.0,
            stands.scale_growth,
            (f.u / f.value if f is not None else 0.0, given.u_focal_length_mm / fc),
            given.u_parallel_at_um,
            given.u_before_lens_mm / fc**2 / 1000.0,
        )
