"""How far from nominal is best focus, how sure is that, does it pass, and which shim mends it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from benchd.questions.flange import words
from benchd.questions.question import Question
from benchd.questions.wording import Doc, Material, Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.files.artefacts import Layer, LensTolerance
    from benchd.questions.evidence import Evidence

PUPIL_NOT_SHOWN = "Pupil fill not shown: that the light fills the lens wide open was not checked."
AGREES_UM = 0.01
"""A curve computed again must peak where the finding says; more is worth a word."""


class Flange(Question):
    """From all sweeps of the run at the set-up in force that measured one thing."""

    name = "flange"
    asks = "How far from nominal is best focus, is that inside the tolerance, and which shim mends it?"
    sweeps = 1
    at_set_up = True
    values: ClassVar = {"focus_error": Named("Focus error"), "glass_residual": Named("Glass residual")}
    judged = "focus_error"
    drawn = "through-focus curve"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.bench.datum.feasibility import as_lines
        from benchd.bench.datum.glass_residual import other_glass
        from benchd.bench.wall_marks import as_found
        from benchd.questions.flange.assessment import FlangeInput, assess
        from benchd.questions.flange.seatings import Seating, mean_of
        from benchd.questions.through_focus import (
            best_focus,
            by_seating,
            comparable_sweeps,
            flags_of,
            passed_on,
            span_of,
            timing_of,
        )

        setup, chain = evidence.setup, evidence.chain
        sweeps, left_out = comparable_sweeps(evidence.sweeps_here)
        fits = [
            (span_of([point for sweep in seated for point in sweep.points]), best_focus(seated, evidence))
            for seated in by_seating(sweeps)
        ]
        fit = mean_of([one for _, one in fits])
        lens = None if setup.lens is None else evidence.records.lens(setup.lens)
        other = None if lens is None else other_glass(sweeps[0].glass, lens.designed_for_glass)
        given = FlangeInput(
            run=evidence.run,
            setup=setup.rev,
            lens=setup.lens,
            chain=as_lines(as_found(chain.budget_at(fit.peak_um), setup, lens, fit.peak_um, evidence.run)),
            why_relative=chain.why_relative,
            measurand=evidence.measurand(sweeps[0]),
            f_number=sweeps[0].f_number,
            linear=all(sweep.linear for sweep in sweeps),
            u_frequency_rel=max(sweep.u_frequency_rel for sweep in sweeps),
            tolerance_um=None if lens is None or lens.tolerance is None else lens.tolerance.flange_um,
            stock_um=evidence.file.shims_um,
            fitted_um=() if lens is None else lens.shims_fitted_um,
            glass_residual=_residual(evidence, sweeps[0].f_number),
            calibrations=chain.calibrations,
            indices=(fits[0][0][0], fits[-1][0][1]),
            at=evidence.at,
            version=evidence.version,
            job=setup.job,
            notes=[
                *([f"Measured {other}."] if other else []),
                *flags_of(sweeps),
                *chain.notes,
                *_too_near(evidence, None if lens is None else lens.tolerance),
                *left_out,
                PUPIL_NOT_SHOWN,
            ],
            other_glass=other,
            seatings=[Seating(span, one.peak_um, one.u_um) for span, one in fits],
            pairs=chain.joints,
            passed_on=passed_on([one for _, one in fits], evidence.period_um),
            timing=timing_of(sweeps),
        )
        return assess(fit, given)

    def said(self, doc: Doc) -> str:
        return words.side_sentence(doc)

    def advised(self, doc: Doc) -> Sequence[tuple[str, str]]:
        return [("Shims", words.shims(doc))]

    def picture(self, doc: Doc, material: Material) -> bytes:
        from benchd.questions.flange.picture import draw
        from benchd.questions.flange.recomputed import recompute

        found = recompute(doc, material.readings, material.position_u_um or 0.0)
        apart = found.peak_um - doc["values"]["focus_error"]["value"]
        if material.position_u_um is not None and abs(apart) > AGREES_UM:
            told = f"Computed again, best focus lies {apart:+.2f} µm from what {doc['finding']} says"
            material.say(f"{told}: another version fits.")
        return draw(doc, found.curve)


def _too_near(evidence: Evidence, tolerance: LensTolerance | None) -> list[str]:
    conjugate = evidence.chain.conjugate
    if conjugate is None or tolerance is None:
        return []
    sentence = evidence.arrangement.spoilt(conjugate, -tolerance.flange_um, tolerance.flange_um)
    return [sentence] if sentence else []


def _residual(evidence: Evidence, f_number: float) -> tuple[float, float] | None:
    """What the glass in the light leaves beside the plate that the lens was designed for, with its u (um)."""
    from benchd.bench.datum.glass_residual import glass_residual
    from benchd.files.artefacts import plates

    setup, records = evidence.setup, evidence.records
    if setup.lens is None:
        return None

    def layers(ids: Sequence[str]) -> list[Layer]:
        return [layer for one in ids for layer in plates(records.glass(one).layers)]

    designed = records.lens(setup.lens).designed_for_glass
    fitted: list[Any] = [*layers(setup.glass), *plates(evidence.file.target.cover)]
    return glass_residual(fitted, layers([designed] if designed else []), f_number)
