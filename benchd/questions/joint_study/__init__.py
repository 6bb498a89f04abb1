"""What does a mated pair of seats add: from lenses that are taken off and seated again, by those who work here."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean
from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused
from benchd.questions.question import Question
from benchd.questions.wording import Doc, Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.bench.sweep.sweep_data import SweepData
    from benchd.questions.evidence import Evidence

LEAST_DOF = 5
"""Degrees of freedom of the repeatability: with fewer its u is known to no better than a third (JCGM 100, E.4.3)."""
UNNAMED = "one person"


class JointStudy(Question):
    """From one sweep of each seating, so many seatings of each lens by each person. It is not about the lens that
    stands there last."""

    name = "joint_study"
    asks = "What does a mated pair of seats add, by seating lenses anew?"
    sweeps = 6
    repeated = LEAST_DOF
    values: ClassVar = {
        "joint": Named("A mated pair adds"),
        "repeatability": Named("Repeatability", signed=False),
        "interaction": Named("Interaction of lenses and people", signed=False),
        "reproducibility": Named("Reproducibility, by people", signed=False),
        "sweep": Named("A sweep's own scatter", signed=False),
    }
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.assessments.peak_lines import FLAGS
        from benchd.bench.datum.chain import JOINT
        from benchd.questions.joint_study.assessment import JointInput, Seating, assess
        from benchd.questions.through_focus import best_focus, carriage_at_peak_um, flags_of, with_timing

        sweeps = evidence.sweeps
        check_comparable(sweeps)
        seatings, flags = [], [*flags_of(sweeps)]
        for sweep in sweeps:
            fit = with_timing(best_focus([sweep], evidence), sweep)
            flags += [FLAGS[flag] for flag in fit.flags if FLAGS[flag] not in flags]
            carried = evidence.arrangement.moves_target
            place_um = carriage_at_peak_um(fit, sweep.points) if carried else fit.peak_um
            at_s = fmean(point.t_mono for point in sweep.points)
            by = sweep.seated_by or UNNAMED
            seatings.append(Seating(str(sweep.stands[0]), by, place_um, fit.u_um, float(fit.dof), at_s))
        given = JointInput(
            head=evidence.head(self.name, lens=False),
            artefact=JOINT,
            measurand=evidence.measurand(sweeps[-1]),
            indices=(0, evidence.last_index),
            stand_off=bool(evidence.file.joint.stand_off_um),
            notes=flags,
        )
        return assess(seatings, given)

    def said(self, doc: Doc) -> str:
        from benchd.reports.numbers import dof, significant

        values = doc["values"]
        joint, people = values["joint"], values["reproducibility"]["value"]
        of = f"{significant(values['repeatability']['value'])} of it from seating to seating"
        if people:
            of += f", {significant(people)} from person to person"
        return f"A mated pair adds {significant(joint['u'])} µm (u, {dof(joint['dof'])} degrees of freedom), {of}."


def check_comparable(sweeps: Sequence[SweepData]) -> None:
    """Raise Refused('not_found') for sweeps that were not taken after a seating of their own, or not in one way."""
    numbers = [sweep.seating for sweep in sweeps]
    if 0 in numbers or len(set(numbers)) < len(numbers):
        index = next(i for i, number in enumerate(numbers) if number == 0 or number in numbers[:i])
        raise Refused(
            "not_found",
            f"Sweep {index + 1} of {len(sweeps)} is not of a seating of its own: no `reseated` stands before it.",
            advice="Take the lens off, seat it again, count that by `reseated`, and take one sweep. Run `joint_study`.",
        )
    for sweep in sweeps:
        if sweep.stands[0] is None:
            raise Refused("not_found", "A sweep was taken without a lens.", advice="State `lens` before each sweep.")
        first = next(one for one in sweeps if one.stands[0] == sweep.stands[0])
        if sweep.measured != first.measured or _stands(sweep) != _stands(sweeps[0]):
            raise Refused(
                "not_found",
                f"Seating {sweep.seating} did not measure the same as those before: detector, merit, frequency, "
                "f-number, adapters, ring, glass or distance differ.",
                advice="Change nothing between seatings but the lens.",
            )


def _stands(sweep: SweepData) -> tuple[object, ...]:
    """What has to stand alike for all lenses."""
    return *sweep.stands[1:], sweep.glass, sweep.distance_mm, sweep.detector, sweep.merit
