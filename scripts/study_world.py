"""The hidden truth of one case: a whole bench drawn anew around its records, and what its instruments would show.

The optics, the plates, the lengths, the scale and the gauge are the simulator's own; what differs from a simulated
bench is that nothing is driven in time (a place is said, not reached) and that every day has a temperature of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from math import inf, sqrt
from typing import cast
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from benchd_simulators.world.arrangements import arranged
from benchd_simulators.world.carriage import Carriage
from benchd_simulators.world.drawing import Drawn, Draws, Shape, unit_draw
from benchd_simulators.world.encoder import Encoder
from benchd_simulators.world.fitting import REFERENCE_C, Fitting
from benchd_simulators.world.indicator import Indicator
from benchd_simulators.world.lens import E_LINE_NM, Lens, Optic
from benchd_simulators.world.tube import Tube
from study_better import IN_WORLD, bettered
from study_records import ADAPTER, GLASS, LENS, LP_MM, RINGS, world_of
from study_strata import Stratum

LANDING_UM = 1.0  # how far off its target an approach may end
SETTLING_UM = 0.02  # ring-down that is left when the shutter opens


def skewed(rng: np.random.Generator) -> float:
    """A gamma of shape 4, mean 0, standard deviation 1, skewness 1."""
    return (float(rng.gamma(4.0)) - 4.0) / 2.0


def two_points(rng: np.random.Generator) -> float:
    """Two narrow bells at +-0.95, standard deviation 1: a ring that is one of two."""
    return float(rng.choice((-0.95, 0.95))) + sqrt(1.0 - 0.95**2) * float(rng.standard_normal())


OTHER_SHAPES: dict[str, Callable[[np.random.Generator], float]] = {
    **{f"reference.{ring}.length_um": two_points for ring in RINGS.values()},
    "target.side_mm": two_points,
    f"lens.{LENS}.focal_length_mm": skewed,
    f"glass.{GLASS}.0.index": skewed,
    "indicator.gain": skewed,
    "collimator.focal_length_mm": skewed,
    "pickup_um": two_points,
}
"""Quantities whose shape is none of the world's own four; the others keep the shape of the world's file."""

U_ELSEWHERE_UM = 0.5
"""Of an adapter that was measured on another bench."""

WORLD_SHAPES: dict[str, Shape] = {"room.distance_mm": "triangular", "base.alpha_per_K": "arcsine"}


class CaseDraws(Draws):
    """The draws of one case: by name, from a generator spawned from (seed, stratum, index)."""

    def __init__(self, seed: int, stratum: str, index: int) -> None:
        super().__init__(seed)
        self._case = [seed, crc32(stratum.encode()), index]

    def rng(self, name: str) -> np.random.Generator:
        return np.random.default_rng([*self._case, crc32(name.encode())])

    def quantity(self, name: str, record: float, u: float, shape: Shape, *, stream: str | None = None) -> float:
        known = self.known(name)
        if known is not None:
            return known.true
        rng = self.rng(stream or name)
        other = OTHER_SHAPES.get(stream or name)
        unit = other(rng) if other else unit_draw(rng, WORLD_SHAPES.get(name, shape))
        return self.put(Drawn(name, record, u, shape, record + u * unit))


def ring_of(stratum: Stratum) -> str | dict[str, float | str]:
    """Where the hand turns the ring, as the world and the set-up say it."""
    return stratum.ring if isinstance(stratum.ring, str) else {"mark": stratum.ring}


@lru_cache(maxsize=32)
def typical_shift_um(stratum: Stratum) -> float:
    """How far from its paraxial focus a lens with the stratum's mean aberration is sharpest."""
    return Optic(stratum.f_number, 0.0, (stratum.w040_waves * E_LINE_NM / 1000.0,)).peak_um(LP_MM)


@lru_cache(maxsize=4)
def peak_um_of(optic: Optic) -> float:
    """Where a lens as it stands is sharpest: the noise-free peak of the merit on a dense grid."""
    return optic.peak_um(LP_MM)


@dataclass(frozen=True, slots=True)
class Truth:
    """What the analysis never sees, um; `error_um` is peak - glass - cover - conjugate - nominal flange depth.

    `peak_um` is where the lens is sharpest were all but the lens ideal; `seen_um` where the bench, being what it is,
    sees it so, and `place_um` where the carriage then stands.
    """

    peak_um: float
    glass_um: float
    conjugate_um: float
    flange_um: float
    cover_um: float
    seen_um: float
    place_um: float

    @property
    def error_um(self) -> float:
        return self.peak_um - self.glass_um - self.cover_um - self.conjugate_um - self.flange_um


class Rail:
    """Where the carriage truly stands, um from the reference mark."""

    def __init__(self) -> None:
        self.place_um = 0.0

    def um(self) -> float:
        return self.place_um

    def span_um(self) -> tuple[float, float]:
        return self.place_um, self.place_um


class CaseWorld:
    """One bench of hidden errors. `typed_C` is what the thermometer of the day says, `true_C` what is so."""

    def __init__(self, stratum: Stratum, seed: int, index: int) -> None:
        self.record = bettered(world_of(replace(stratum, better=None)), IN_WORLD, stratum.better)
        self.stratum = stratum
        self.draws = CaseDraws(seed, stratum.name, index)
        self.fitting = Fitting(self.record, self.draws)
        self.lens = Lens(self.record, self.draws)
        self.arrangement = arranged(self.record, self.draws)
        self.rail = Rail()
        assert self.record.encoder is not None
        self.encoder = Encoder(self.record.encoder, cast(Carriage, self.rail), self.draws)
        self.seconds = 0.0
        self.indicator = Indicator(self.record.indicator, self.draws, lambda: self.seconds)
        self.rng = self.draws.rng("study")
        self.side_mm = self.draws.quantity("target.side_mm", *self.record.target.side_mm.parts)
        self.pixel_um = self.draws.quantity("camera.pixel_um", *self.record.camera.pixel_um.parts)
        self.typed_C = self.true_C = REFERENCE_C
        tube = self.record.tube if stratum.set_tube else None
        self.tube = None if tube is None else Tube(tube, self.record.flats, self.draws)

    @property
    def delta_K(self) -> float:
        return self.true_C - REFERENCE_C

    def new_day(self, name: str) -> float:
        """Another day, another temperature; gives what is typed."""
        thermometer = self.record.room.temperature_C
        self.typed_C = float(self.rng.uniform(*self.stratum.doubts.typed_C))
        self.true_C = self.draws.quantity(f"day.{name}.temperature_C", self.typed_C, thermometer.u, thermometer.shape)
        self.encoder.delta_K = self.delta_K
        return self.typed_C

    def drive(self, target_um: float) -> float:
        """Bring the carriage near a place; gives the scale's reading there."""
        self.rail.place_um = target_um + float(self.rng.uniform(-LANDING_UM, LANDING_UM))
        return self.encoder.read_um()

    def smooth_reading_um(self, place_um: float) -> float:
        """The scale's reading of a place without noise and without what its subdivision does at that place."""
        quarter = self.encoder.record.period_um / 4.0
        # A sine half a period on is its own negative; the scale itself grows linearly.
        return 0.5 * (self.encoder.scale_um(place_um - quarter) + self.encoder.scale_um(place_um + quarter))

    def subdivided_um(self, readings_um: NDArray[np.float64], near_um: float) -> NDArray[np.float64]:
        """How much of each reading of the scale is the error of its subdivision, for readings about a place."""
        smooth = readings_um + near_um - self.smooth_reading_um(near_um)
        off = self.encoder.subdivided_um(smooth)
        return self.encoder.subdivided_um(smooth - off)

    @property
    def gain_off(self) -> float:
        """How much more than a way the gauge reads of it, as a share of what it reads."""
        return 1.0 - 1.0 / self.draws.quantity("indicator.gain", *self.record.indicator.gain.parts)

    @property
    def scale_share(self) -> float:
        """How much more than a way the scale tells of it, as a share."""
        return 1.0 / (1.0 + self.draws.quantity("encoder.scale", *self.encoder.record.scale.parts)) - 1.0

    def scale_off_um(self, place_um: float) -> float:
        """How much more than the way from its zero the scale tells of a place, at the reference temperature."""
        now, self.encoder.delta_K = self.encoder.delta_K, 0.0
        off = self.smooth_reading_um(place_um) - self.smooth_reading_um(0.0) - place_um
        self.encoder.delta_K = now
        return off

    def depth_um(self, place_um: float) -> float:
        """True depth from the uppermost face to the target plane with the carriage at a true place."""
        fitting = self.fitting
        carried_um = self.arrangement.carried_um(place_um)
        return fitting.base_um(self.delta_K) + carried_um + fitting.adapters_um(self.delta_K) + fitting.gives_um()

    def gauge_um(self, *, on_ring: bool, let_down: bool = False) -> float:
        """The gauge's bridge set down anew, on the setting ring or on the uppermost face; its tip may be let down."""
        self.indicator.place("ring" if on_ring else "adapter" if self.fitting.adapters else "base")
        if let_down:
            self.indicator.let_down()
        self.seconds += 40.0
        return self.gauge_again_um(on_ring=on_ring)

    def gauge_again_um(self, *, on_ring: bool) -> float:
        """The gauge read where its bridge stands."""
        name = RINGS[self.stratum.fixed]
        ring = self.record.references[name]
        if on_ring:
            below = self.fitting.grown_um(f"reference.{name}", ring.length_um, ring.alpha_per_K, self.delta_K)
        else:
            below = self.depth_um(self.rail.place_um) - sum(layer.thickness_um for layer in self.lens.cover(E_LINE_NM))
        return self.indicator.read_um(below)

    @property
    def distance_mm(self) -> float:
        """True distance from target to wall; infinite where there is none."""
        tape = self.record.room.distance_mm
        if tape is None:
            return inf
        return self.draws.quantity("room.distance_mm", *tape.parts)

    @property
    def vergence_per_m(self) -> float:
        """What is left of the vergence of the collimator's light; 0 before a wall."""
        if self.tube is not None:
            return self.tube.vergence_per_m(self.delta_K)
        vergence = self.record.room.vergence_per_m
        return 0.0 if vergence is None else self.draws.quantity("room.vergence_per_m", *vergence.parts)

    def optic(self, distance_mm: float | None = None, iris: float | None = None) -> Optic:
        """The lens as it stands on the bench, with the plates that are fitted; another wall may be named, and a stop.

        Its maker has set it by its best focus, so the drawn error of its flange counts from there.
        """
        shims = self.fitting.shims_um(LENS)
        optic = self.lens.optic(
            LENS,
            iris=iris,
            distance_mm=self.distance_mm if distance_mm is None else distance_mm,
            vergence_per_m=self.vergence_per_m,
            ring=ring_of(self.stratum),
            shims_um=shims,
            glass=self.fitting.glass,
        )
        return replace(optic, image_um=optic.image_um - typical_shift_um(self.stratum))

    def tape_m(self, magnification: float) -> tuple[float, float]:
        """The magnification by tape on the wall and its stated standard uncertainty; the target's side is in both."""
        side, ratio_u = self.record.target.side_mm, self.record.room.tape_ratio_u
        tape = self.draws.quantity("room.tape_ratio", 1.0, ratio_u, "rectangular")
        value = magnification * side.record / self.side_mm * tape
        return value, value * sqrt(ratio_u**2 + (side.u / side.record) ** 2)

    def seen(self, optic: Optic) -> Optic:
        """What the bench sees the lens by, in depths of its own."""
        return replace(self.arrangement.images(optic, 0.0), image_um=optic.image_um)

    def seen_depth_um(self, optic: Optic, place_um: float) -> float:
        """The depth in which `seen` has what the bench sees with the carriage at a true place."""
        return self.depth_um(place_um) - (self.arrangement.images(optic, place_um).image_um - optic.image_um)

    def measured_elsewhere_um(self) -> float:
        """The adapter's length as another bench has found it, standing on its joint there."""
        length = self.record.adapters[ADAPTER].length_um
        true = self.fitting.true(f"adapter.{ADAPTER}.length_um", length)
        off = self.draws.quantity("adapter.elsewhere_um", 0.0, U_ELSEWHERE_UM, "rectangular")
        return true + 0.5 * self.record.joint.stand_off_um + off

    def truth(self, optic: Optic) -> Truth:
        """Best focus, and what the definition of the focus error takes off."""
        flange = self.record.mounts[self.record.lenses[LENS].mount].flange_depth_um
        seen = peak_um_of(self.seen(optic))
        # Where carriage and seen depth go together to first order, a few steps bring the one to the other.
        place = 0.0
        for _ in range(8):
            slope = self.seen_depth_um(optic, place + 1.0) - self.seen_depth_um(optic, place)
            place += (seen - self.seen_depth_um(optic, place)) / slope
        ideal = peak_um_of(self.arrangement.ideal(optic))
        return Truth(ideal, optic.glass_um, optic.conjugate_um, flange, optic.cover_um, seen, place)
