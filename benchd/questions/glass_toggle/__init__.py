"""What does a plate behind the lens do to its focus: measured with it out, in, in and out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused
from benchd.questions.question import Question
from benchd.questions.wording import Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.bench.sweep.sweep_data import SweepData
    from benchd.questions.evidence import Evidence


class GlassToggle(Question):
    """From four sweeps, the plate out of the set-up, in it, in it and out of it again."""

    name = "glass_toggle"
    target = "carried"
    asks = "How far does the glass behind the lens move its focus, and is that what its record says?"
    sweeps = most_sweeps = 4
    by_modulation = True
    values: ClassVar = {
        "shift": Named("Shift by the glass"),
        "paraxial": Named("Paraxial shift"),
        "residual": Named("Residual"),
        "expected_residual": Named("Residual expected"),
        "found": Named("Paraxial shift found"),
        "drift": Named("Drift"),
    }
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.assessments.peak_lines import FLAGS
        from benchd.bench.datum.bounded_terms import tipping_u_um
        from benchd.bench.datum.feasibility import as_lines
        from benchd.bench.datum.glass_found import glass_artefact
        from benchd.bench.datum.position_terms import place_terms
        from benchd.detectors.registry import is_modulation
        from benchd.files.artefacts import plates
        from benchd.optics.plate import Plate, paraxial_shift_um, paraxial_u_um
        from benchd.optics.plate_focus import beyond_paraxial_u_um, beyond_paraxial_um
        from benchd.questions.gauge_inputs import TIPPING_NOT_STATED, note_unstated_position
        from benchd.questions.glass_toggle.assessment import ToggleInput, Visit, assess
        from benchd.questions.glass_toggle.iris import iris_of
        from benchd.questions.through_focus import (
            best_focus,
            carriage_at_peak_um,
            flags_of,
            passed_on,
            with_timing,
        )

        sweeps, setup, scale = evidence.sweeps, evidence.setup, evidence.scale
        glass = list(out_in_in_out(sweeps))
        self.check_merit(sweeps[0].merit, is_modulation(sweeps[0].merit))
        visits, widths, flags = [], [], [*flags_of(sweeps)]
        for sweep in sweeps:
            fit = with_timing(best_focus([sweep], evidence), sweep)
            flags += [FLAGS[flag] for flag in fit.flags if FLAGS[flag] not in flags]
            widths.append(fit.hwhm_um / evidence.arrangement.curve_width)
            place = carriage_at_peak_um(fit, sweep.points)  # in the chain's lengths, which do not know of the plate
            depth_um, passed = evidence.chain.places.depth_um(place), passed_on([fit], evidence.period_um)
            visits.append(Visit(depth_um, fit.u_um, float(fit.dof), passed))
        layers = [layer for one in glass for layer in plates(evidence.records.glass(one).layers)]
        f_number, lp_mm, light_nm = sweeps[0].f_number, sweeps[0].lp_mm, evidence.light_nm
        paraxial = sum(paraxial_shift_um(layer.thickness_mm, layer.index) for layer in layers)
        open_f_number = evidence.records.lens(setup.lens).f_number if setup.lens else f_number
        iris = iris_of(
            widths, f_number, open_f_number=open_f_number, lp_mm=lp_mm, light_nm=light_nm,
            u_frequency_rel=max(sweep.u_frequency_rel for sweep in sweeps),
        )  # fmt: skip
        cone = [Plate(layer.thickness_mm, layer.index) for layer in layers], iris.f_number, lp_mm, light_nm
        u_beyond = beyond_paraxial_u_um(*cone, open_f_number=open_f_number, u_f_number_rel=iris.u_rel)
        u = math.hypot(*(paraxial_u_um(la.thickness_mm, la.u_mm, la.index, la.u_index) for la in layers))
        bare, behind = (visits[one].depth_um for one in (0, 1))  # as far apart as the carriage's readings
        u_abbe = tipping_u_um(evidence.file, [(1.0, behind), (-1.0, bare)])
        given = ToggleInput(
            run=evidence.run,
            setup=setup.rev,
            lens=setup.lens,
            job=setup.job,
            glass=glass,
            measurand=evidence.measurand(sweeps[0]) | {"glass": glass},
            paraxial_um=(paraxial, u),
            beyond_um=(beyond_paraxial_um(*cone), *u_beyond),
            artefact=glass_artefact(glass),
            lp_mm=lp_mm,
            light_nm=light_nm,
            u_scale=scale.u_scale if scale else 0.0,
            at_a_place=as_lines(place_terms(scale)) if scale else (),
            indices=(0, evidence.last_index),
            at=evidence.at,
            version=evidence.version,
            f_number=iris.f_number,
            f_number_from=(iris.source, iris.shape),
            linear=all(sweep.linear for sweep in sweeps),
            notes=[*flags, *([iris.note] if iris.note else []), *([] if u_abbe is not None else [TIPPING_NOT_STATED])],
            u_abbe_um=u_abbe or 0.0,
        )
        return note_unstated_position(scale, assess(tuple(visits), given))


def out_in_in_out(sweeps: Sequence[SweepData]) -> tuple[str, ...]:
    """The plates of four sweeps taken without them, with, with and without. Raises Refused (not_found) for others."""
    plates = sweeps[1].glass
    if not plates or [sweep.glass for sweep in sweeps] != [(), plates, plates, ()]:
        had = ", ".join(" with ".join(sweep.glass) or "no glass" for sweep in sweeps)
        raise Refused(
            "not_found",
            f"The four sweeps were not out, in, in and out of the same glass; the set-up had {had}.",
            advice="Run `glass_toggle`, or in your procedure set `glass: []` before the first and the fourth sweep and "
            "the plates before the second and the third.",
        )
    from benchd.questions.through_focus import comparable_sweeps

    if len(comparable_sweeps(sweeps)[0]) != 4:
        raise Refused(
            "not_found",
            "The four sweeps did not measure the same: detector, merit, frequency or f-number differ.",
            advice="Sweep out-in-in-out in one way.",
        )
    return plates
