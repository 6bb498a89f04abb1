"""A collimator before the lens, the sensor on the carriage.

The sign of a vergence: positive where light diverges, as from an object before the lens, whose image lies deeper, by
f^2 V / (1 - f V); with f in mm and V in 1/m that is um. A reticle that stands d beyond the collimator's focus, farther
from its lens, sends out converging light, -d / fc^2 at the collimator's other focus (Newton, x x' = fc^2), and the
image lies shallower. On its way to the lens V changes by its own square times the way, which counts for nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.conjugate import AT_A_MARK, ConjugateTerm, LensInputs, parallel_light, propagate
from benchd.arrangements.setup_document import SetupDocument
from benchd.files import known_to
from benchd.files.artefacts import FocalLength, Lens
from benchd.files.bench_file import BenchFile
from benchd.files.bounds import Within
from benchd.metrology.budget import Part, effective_dof, standard_u
from benchd.metrology.chain_term import ChainTerm

if TYPE_CHECKING:
    from benchd.bench.datum.chain_terms import CalibrationInForce

COLLIMATOR = "collimator"
"""The artefact under which the vergence of the collimator's light is calibrated."""
PER_M = "1/m"

VERGENCE_NOT_STATED = (
    "Vergence of the collimator not stated (`arrangement: {kind: collimated, u_vergence_per_m}` in the bench file) nor "
    "calibrated (`collimator_zero`): it is taken as zero."
)
TUBE_MOVED = "the collimator's tube was moved since its vergence was known (collimator_zero tells it anew)"
DRIFT_NOT_STATED = (
    "That the collimator's focus moves as the room's temperature does is taken as zero, without an uncertainty: write "
    "`tube_drift_um_per_K` at the arrangement in the bench file."
)
UNSTATED_K = standard_u(10.0, "rectangular")
"""Doubt of a room whose temperature is not stated, as the chain has it about 20 C."""


@dataclass(frozen=True, slots=True)
class Light:
    """Vergence at the lens (1/m) with its inputs, and where it is known from."""

    per_m: float
    parts: Mapping[str, tuple[float, float | None]]
    source: str
    notes: tuple[str, ...] = ()
    calibrations: tuple[str, ...] = ()


class Collimated(Arrangement):
    """See the module docstring. `found` is the calibration of the collimator in force."""

    name = "collimated"
    stands = "a collimator before the lens, the sensor on the carriage"
    cannot_tell = ("What the lens does at a near distance, unless the ring is set to a mark.",)
    pitch_goes_with_lens = True
    calibrated_in: ClassVar = {COLLIMATOR: PER_M}
    improves: ClassVar = {
        **AT_A_MARK,
        "conjugate collimator": "set the collimator by autocollimation with collimator_zero, by a good flat and with "
        "more settings",
        "conjugate temperature": "work nearer the temperature at which the collimator was set, or run collimator_zero "
        "again",
    }

    class Config(Arrangement.Config):
        """How parallel the collimator's light is: its vergence at the lens with its standard uncertainty, 1/m.

        For `collimator_zero`: the collimator's focal length; which way the reading of its draw tube grows, `away` from
        its lens or `toward` it; the standard uncertainty of one reading; and, per kelvin, the most by which reticle and
        focus move apart.
        """

        vergence_per_m: Annotated[float, Within(-0.1, 0.1, PER_M)] = 0.0
        u_vergence_per_m: known_to.OfVergence | None = None
        focal_length_mm: FocalLength | None = None
        tube_grows: Literal["away", "toward"] | None = None
        u_tube_um: (
            Annotated[float, Field(gt=0), Within(0.1, 1000.0, "um", why="a micrometer is read to 0.3 µm")] | None
        ) = None
        tube_drift_um_per_K: Annotated[float, Within(0.0, 500.0, "um/K")] | None = None

        @model_validator(mode="after")
        def _together(self) -> Self:
            if self.vergence_per_m and self.u_vergence_per_m is None:
                raise ValueError("u_vergence_per_m: a stated vergence_per_m needs its standard uncertainty")
            tube = ("focal_length_mm", "tube_grows", "u_tube_um")
            missing = [key for key in tube if getattr(self, key) is None]
            if 0 < len(missing) < len(tube) or (missing and self.tube_drift_um_per_K is not None):
                raise ValueError(f"{missing[0]}: {', '.join(tube)} have an effect together only, for collimator_zero")
            return self

    config: Config

    def __init__(self, config: Config, found: CalibrationInForce | None = None) -> None:
        super().__init__(config)
        self._found = found

    def with_calibrations(self, in_force: Mapping[str, CalibrationInForce]) -> Collimated:
        return Collimated(self.config, in_force.get(COLLIMATOR))

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        found = parallel_light(lens, setup, light="Collimated light", source="collimated")
        if setup.ring is None or setup.ring == "free":
            return found
        if self._found is not None and self._found.withdrawn:
            found = replace(found, why_relative=TUBE_MOVED)
        light = self._light(setup, file)
        f, parts = lens.focal_length_mm, {part.name: part.u for part in found.term.parts}
        shift_mm, (by_f, *_) = propagate(shift_mm_of, {"focal length": (f.value, f.u), "vergence": (light.per_m, 0.0)})
        # Of a mark the focal length tells as well; both are added as if they went the same way, which is on the safe
        # side, and next to nothing here.
        if light.per_m:
            parts["focal length"] = parts.get("focal length", 0.0) + by_f.u
        dofs = {**LensInputs.from_lens(lens).dof}
        for name, (u_per_m, dof) in light.parts.items():
            parts[name], dofs[name] = f.value**2 * u_per_m, dof  # mm^2 / m is um
        u_um = math.hypot(*parts.values())
        largest = max(parts, key=lambda name: parts[name], default=COLLIMATOR)
        term = ChainTerm(
            "conjugate",
            found.term.value_um + 1000.0 * shift_mm,
            u_um,
            effective_dof(list(parts.values()), [dofs.get(name) for name in parts]),
            "normal",
            light.source if largest in light.parts else found.term.source,
            parts=tuple(Part(name, u) for name, u in parts.items()),
        )
        return replace(found, term=term, notes=(*found.notes, *light.notes), calibrations=light.calibrations)

    def _light(self, setup: SetupDocument, file: BenchFile) -> Light:
        """By its calibration, else as the bench file states it."""
        given, known = self.config, self._found
        if known is None or known.withdrawn:
            if given.u_vergence_per_m is None:
                return Light(0.0, {}, "collimated", (VERGENCE_NOT_STATED,))
            return Light(given.vergence_per_m, {COLLIMATOR: (given.u_vergence_per_m, None)}, "collimator, bench file")
        parts: dict[str, tuple[float, float | None]] = {COLLIMATOR: (known.u, known.dof)}
        vergence = f"{known.value:+.6f}".replace("-", "\u2212")
        notes = [
            f"Collimator set by autocollimation ({known.id}): vergence {vergence} 1/m, u = {known.u:.6f}; its tube "
            "stays locked."
        ]
        drift, fc = given.tube_drift_um_per_K, given.focal_length_mm
        if drift is None or fc is None:
            notes.append(DRIFT_NOT_STATED)
        elif drift:
            told = setup.temperature_C
            u_K = UNSTATED_K if told is None else file.u_temperature_K("temperature_C" in setup.told_by)
            now_C = 20.0 if told is None else told
            parts["temperature"] = drift_u_per_m(drift, fc.value, math.hypot(now_C - known.at_C, u_K)), None
        return Light(known.value, parts, known.id, tuple(notes), (known.id,))


def shift_mm_of(f_mm: float, per_m: float) -> float:
    """How much deeper than that of parallel light the image lies: 1/s' = 1/f - V."""
    per_mm = per_m / 1000.0
    return f_mm**2 * per_mm / (1.0 - f_mm * per_mm)


def drift_u_per_m(most_um_per_K: float, fc_mm: float, kelvin: float) -> float:
    """Standard uncertainty of the vergence by what the focus may have moved over so many kelvin, rectangular."""
    return standard_u(most_um_per_K, "rectangular") * kelvin / fc_mm**2
