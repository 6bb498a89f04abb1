"""Where are the principal planes of a lens model: from its best focus on two walls, a near one and a far one."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused
from benchd.questions.question import Question
from benchd.questions.wording import Doc, Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.bench.sweep.sweep_data import SweepData
    from benchd.questions.evidence import Evidence


class TwoWalls(Question):
    """From two sweeps, one at each wall; the one that stands now is the last."""

    name = "two_walls"
    asks = "Where are the principal planes of this lens model, and how far does the wall shift its focus?"
    target = "carried"
    sweeps = most_sweeps = 2
    needs_m = True
    values: ClassVar = {
        "gap": Named("Gap between principal planes"),
        "focal_length": Named("Focal length", signed=False),
        "shift": Named("Shift by this wall", signed=False),
        "between": Named("Between the two walls", signed=False),
    }
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.assessments.finding import WallShares
        from benchd.bench.datum.bounded_terms import tipping_u_um
        from benchd.bench.datum.feasibility import as_lines
        from benchd.bench.datum.model_gap import gap_artefact, look_alike
        from benchd.bench.datum.position_terms import place_terms
        from benchd.bench.wall_marks import found_out_of_focus_u_rel, marks_of, out_of_focus_u_rel, shared_u_rel
        from benchd.questions.gauge_inputs import TIPPING_NOT_STATED, note_unstated_position
        from benchd.questions.through_focus import (
            best_focus,
            carriage_at_peak_um,
            flags_of,
            passed_on,
            with_timing,
        )
        from benchd.questions.two_walls.assessment import Wall, WallsInput, assess

        setup, chain, scale = evidence.setup, evidence.chain, evidence.scale
        sweeps = _comparable(evidence)
        lens = None if setup.lens is None else evidence.records.lens(setup.lens)
        if lens is None or not lens.model:
            raise Refused(
                "bad_request",
                "The lens's record names no model, and the gap is one of a model.",
                advice="Write `model` into the lens's record.",
            )
        walls, offsets_um = [], []
        for sweep in sweeps:
            fit = with_timing(best_focus([sweep], evidence), sweep)
            place = carriage_at_peak_um(fit, sweep.points)
            if sweep.distance_mm is None or sweep.m is None:
                raise self.no_m()
            passed = passed_on([fit], evidence.period_um)
            depth_um = chain.places.depth_um(place)
            offsets_um.append(fit.peak_um)
            walls.append(Wall(depth_um, fit.u_um, float(fit.dof), sweep.distance_mm, *sweep.m, passed))
        focus_u_rel = 0.0
        stated = marks_of(evidence.arrangement)
        marks = stated if stated is not None and all(sweep.m_by == stated.by for sweep in sweeps) else None
        if marks is not None:
            # How far m was told beside best focus is known by now.
            thought_u_rel = out_of_focus_u_rel(lens, chain.u_um)
            focus_u_rel = found_out_of_focus_u_rel(thought_u_rel, lens, offsets_um)
            walls = [wall.with_u_rel(focus_u_rel, thought_u_rel) for wall in walls]
        near, far = walls
        u_abbe = tipping_u_um(evidence.file, [(1.0, near.depth_um), (-1.0, far.depth_um)])
        alike = look_alike(sweeps[0].across_px, sweeps[1].across_px)
        given = WallsInput(
            head=evidence.head(self.name),
            artefact=gap_artefact(lens.model, lens.id),
            model=lens.model,
            measurand=evidence.measurand(sweeps[1]),
            shares=WallShares(
                u_distance_mm=evidence.file.u_distance_mm(sweeps[1].distance_by is not None),
                m_u_rel=shared_u_rel(evidence.file.target, marks, alike) if marks is not None else None,
                marks_mm=marks.known_mm if marks is not None else None,
                pitch_mm=evidence.file.target.pitch_mm,
                across_px=sweeps[1].across_px if alike else None,
            ),
            distance_by=sweeps[1].distance_by or "tape",
            focus_u_rel=focus_u_rel,
            u_scale=scale.u_scale if scale else 0.0,
            at_a_place=as_lines(place_terms(scale)) if scale else (),
            u_abbe_um=u_abbe or 0.0,
            indices=(0, evidence.last_index),
            notes=[*flags_of(sweeps), *([] if u_abbe is not None else [TIPPING_NOT_STATED])],
        )
        return note_unstated_position(scale, assess(near, far, given))

    def said(self, doc: Doc) -> str:
        from benchd.reports.numbers import number

        shift = doc["values"]["shift"]
        return f"This wall shifts the focus by {number(shift['value'], 1)} ± {number(shift['U'], 1)} µm, as measured."


def _comparable(evidence: Evidence) -> list[SweepData]:
    """The two sweeps. Raises Refused('not_found') where they did not measure the same, or at one wall."""
    from benchd.questions.through_focus import comparable_sweeps

    sweeps = list(evidence.sweeps)
    alike = len(comparable_sweeps(sweeps)[0]) == 2
    if not alike or (sweeps[0].glass, sweeps[0].stands) != (sweeps[1].glass, sweeps[1].stands):
        raise Refused(
            "not_found",
            "The two sweeps did not measure the same: detector, merit, frequency, f-number, lens, ring, adapters or "
            "glass differ.",
            advice="Change nothing but the distance to the wall between them.",
        )
    return sweeps
