"""Uncertainty of the carriage position: the stated errors of encoder or steps, and the chain lines from them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from benchd.bench.datum.bounded_terms import Bounded, carriage_readings, tipping_term
from benchd.bench.datum.chain_terms import CalibrationInForce, Length
from benchd.devices import EncoderSpec
from benchd.files.bench_file import BenchFile
from benchd.metrology.budget import standard_u
from benchd.metrology.chain_term import ChainTerm, UnmeasuredTerm

POSITION_UNKNOWN = "nothing is stated of the carriage's position"
POSITION_NOT_STATED = (
    f"{POSITION_UNKNOWN.capitalize()}, so findings are relative: give an encoder the role `position`, or "
    "write `steps: {u_pitch, periodic_um, u_backlash_um, u_home_um, alpha_per_K}` in the bench file."
)
EXPANSION_NOT_STATED = (
    "Expansion of the position's scale is not stated: it is taken as zero, without an uncertainty. Write `alpha_per_K` "
    "at the encoder in the bench file."
)


BY_GAUGE = (
    "The position is a gauge's: it holds as long as nobody touches or zeroes that, and the zero is to be found anew "
    "after. That its spindle grows is taken as zero, 0.1 µm a centimetre and kelvin of steel."
)
PITCH, PERIODIC, BACKLASH, HOMING = "steps-pitch", "steps-periodic", "steps-backlash", "steps-home"
OF_STEPS: Mapping[str, str] = {PITCH: "1", PERIODIC: "um", BACKLASH: "um", HOMING: "um"}
"""What steps may be calibrated for, each with its unit: they are the four figures of `steps` in the bench file."""

OVER_SHORTER = "The screw's pitch was tested over a part of the travel, and is taken to be the same beside it."


@dataclass(frozen=True, slots=True)
class ScaleRecord:
    """Stated errors of the position measurement: u of scale (1), amplitude of periodic error (um), expansion (1/K).

    An encoder's periodic error is its subdivision, which repeats with `period_um` where that is stated; `by_gauge`: it
    is a contact gauge. With `by_steps` the screw is the scale, the periodic error is that of its turn, and there are u
    of the residual backlash and of the zero that homing finds (um). `dofs` are degrees of freedom of what was measured
    of them, `sources` its calibrations, both by artefact; what is in neither is as the bench file states it.
    """

    u_scale: float
    subdivision_um: float
    alpha_per_K: float | None
    by_steps: bool = False
    u_backlash_um: float = 0.0
    u_home_um: float = 0.0
    period_um: float | None = None
    dofs: Mapping[str, float | None] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)
    by_gauge: bool = False

    def source(self, artefact: str) -> str:
        """Where a figure of the steps, or of the scale, comes from."""
        if self.by_steps:
            return f"steps, {self.sources.get(artefact, 'bench file')}"
        return "gauge" if self.by_gauge else "encoder"


def position_record(bench_file: BenchFile, encoder: EncoderSpec | None) -> ScaleRecord | None:
    """From the encoder if there is one, else from the bench file's `steps`; None if not stated."""
    if encoder is not None:
        if encoder.u_scale is None or encoder.subdivision_um is None:
            return None
        errors = encoder.u_scale, encoder.subdivision_um, encoder.alpha_per_K
        return ScaleRecord(*errors, period_um=encoder.period_um, by_gauge=encoder.range_um is not None)
    steps = bench_file.steps
    if steps is None:
        return None
    return ScaleRecord(
        steps.u_pitch, steps.periodic_um, steps.alpha_per_K, True, steps.u_backlash_um, steps.u_home_um, steps.period_um
    )


def as_measured(scale: ScaleRecord | None, calibrations: Mapping[str, CalibrationInForce]) -> ScaleRecord | None:
    """The record with what `axis_test` and `home_repeat` have found in place of what the bench file states of steps.

    The pitch's error is not taken off, as lengths that were measured by steps before hold it as well: its whole size is
    counted as an uncertainty (JCGM 100, F.2.4.5, as a line of its own).
    """
    if scale is None or not scale.by_steps:
        return scale
    found = {name: one for name in OF_STEPS if (one := calibrations.get(name)) is not None and not one.withdrawn}
    if not found:
        return scale
    pitch, periodic, backlash, home = (found.get(name) for name in (PITCH, PERIODIC, BACKLASH, HOMING))
    of_scatter = (BACKLASH, HOMING)  # those of the others are of a value's u, and the value is most of their size
    return replace(
        scale,
        u_scale=math.hypot(pitch.value, pitch.u) if pitch else scale.u_scale,
        subdivision_um=periodic.value if periodic else scale.subdivision_um,
        u_backlash_um=backlash.u if backlash else scale.u_backlash_um,
        u_home_um=home.u if home else scale.u_home_um,
        dofs={name: one.dof for name, one in found.items() if name in of_scatter},
        sources={name: one.id for name, one in found.items()},
    )


def position_notes(scale: ScaleRecord | None) -> tuple[str, ...]:
    """Notes of findings and `benchd check` on what is not stated about the position."""
    if scale is None:
        return (POSITION_NOT_STATED,)
    return (
        *((BY_GAUGE if scale.by_gauge else EXPANSION_NOT_STATED,) if scale.alpha_per_K is None else ()),
        *((OVER_SHORTER,) if PITCH in scale.sources else ()),
    )


def position_noise_um(record: ScaleRecord | None, resolution_um: float) -> float:
    """Independent noise of one position: subdivision (arcsine) or the backlash of steps, and resolution (rectangle)."""
    if record is None:
        return 0.0
    own = record.u_backlash_um if record.by_steps else standard_u(record.subdivision_um, "arcsine")
    return math.hypot(own, standard_u(0.5 * resolution_um, "rectangular"))


def position_terms(
    scale: ScaleRecord, carriage_um: float, calibrated_at_um: float, by_scale_um: float = 0.0
) -> list[ChainTerm]:
    """Errors of the position here: the scale over the distance from where the zero was found, the local errors, and,
    by steps, the zero itself, which homing sets anew each time.

    A scale that is too long by a fraction measures adapters too short by it and the position too deep: the carriage
    travel for measuring those on the bench, `by_scale_um`, is subtracted from the distance to the zero.
    """
    distance = abs(carriage_um + by_scale_um - calibrated_at_um)
    of_scale = ChainTerm("position scale", 0.0, scale.u_scale * distance, None, "normal", scale.source(PITCH))
    terms = [of_scale, *place_terms(scale)]
    if scale.by_steps:
        u_zero = math.sqrt(2.0) * scale.u_home_um
        dof, source = scale.dofs.get(HOMING), scale.source(HOMING)
        terms.append(ChainTerm("position homing", 0.0, u_zero, dof, "normal", source))
    return terms


def place_terms(scale: ScaleRecord) -> list[ChainTerm]:
    """Local errors of one carriage position, independent of any other: the periodic error, whose whole amplitude counts
    as arcsine (it does not average out in a sweep), and, by steps, the residual backlash."""
    periodic = "position periodic" if scale.by_steps else "position subdivision"
    u_periodic = standard_u(scale.subdivision_um, "arcsine")
    terms = [ChainTerm(periodic, 0.0, u_periodic, None, "arcsine", scale.source(PERIODIC))]
    if scale.by_steps:
        dof, source = scale.dofs.get(BACKLASH), scale.source(BACKLASH)
        terms.append(ChainTerm("position backlash", 0.0, scale.u_backlash_um, dof, "normal", source))
    return terms


def position_u_um(scale: ScaleRecord, carriage_um: float, zero_um: float) -> float:
    """Standard uncertainty of the position alone: its lines of the chain, without the lengths."""
    return math.hypot(*(term.u_um for term in position_terms(scale, carriage_um, zero_um)))


@dataclass(frozen=True, slots=True)
class CarriageTerms:
    """Position-dependent terms of one set-up, at any carriage position.

    `scale` is the stated errors of the position, None if not stated; `zero_um` the position of its zero; `measured` the
    lengths that were measured by moving the target, which share scale and carriage errors with the position.
    """

    file: BenchFile
    scale: ScaleRecord | None
    zero_um: float
    measured: Sequence[Length]

    def position(self, carriage_um: float, slope: float) -> list[ChainTerm]:
        """Lines of the position there; `slope` is offset per um of carriage."""
        if self.scale is None:
            return []
        by_scale_um = sum(part.length_um for part in self.measured if part.shares.scale_um)
        return _in_offset(slope, position_terms(self.scale, carriage_um, self.zero_um, by_scale_um))

    def tipping_at(self, carriage_um: float, slope: float) -> Bounded:
        """The term of tipping there."""
        found = tipping_term(
            self.file, carriage_readings(carriage_um, self.zero_um, self.measured if self.scale else ())
        )
        return replace(found, terms=tuple(_in_offset(slope, found.terms)))


T = TypeVar("T", ChainTerm, ChainTerm | UnmeasuredTerm)


def _in_offset(slope: float, terms: Sequence[T]) -> list[T]:
    """Terms of the carriage converted to offset."""
    return [
        replace(term, value_um=slope * term.value_um, u_um=slope * term.u_um) if isinstance(term, ChainTerm) else term
        for term in terms
    ]
