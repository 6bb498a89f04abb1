"""How parallel is the collimator's light: by autocollimation from a flat, which sends it back onto its reticle."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused
from benchd.questions.question import Question
from benchd.questions.wording import Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.evidence import Evidence
    from benchd.records.values import ReadingRow

SETTING, LOCKED = "setting", "locked"
"""The names of the tube's readings: each setting by autocollimation, and where it was locked for use."""


class CollimatorZero(Question):
    """From the tube's readings at several settings, and the one at which it was locked."""

    name = "collimator_zero"
    arrangement = "collimated"
    arrangement_keys = ("focal_length_mm", "tube_grows", "u_tube_um")
    asks = "What is the vergence of the collimator's light with its tube locked where it is?"
    of = "flat"
    readings = (SETTING, LOCKED)
    values: ClassVar = {
        "vergence": Named("Vergence of the light"),
        "setting": Named("Locked from its setting"),
    }
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.arrangements.collimated import Collimated
        from benchd.questions.collimator_zero.assessment import assess, tube_input

        stands = evidence.arrangement
        assert isinstance(stands, Collimated)
        settings = [_um(row) for row in evidence.readings.get(SETTING, ())]
        locked = [_um(row) for row in evidence.readings.get(LOCKED, ())]
        if len(settings) < 2 or not locked:
            raise Refused(
                "not_found",
                f"The run holds {len(settings)} settings of the tube, and {len(locked)} of where it was locked.",
                advice="Set it several times, lock it, and read its scale each time.",
            )
        inputs = tube_input(
            stands.config,
            evidence.records.reference(str(of)),
            head=evidence.head(self.name, lens=False),
            temperature_C=evidence.temperature.at_C,
            u_temperature_K=evidence.temperature.u_K,
            temperature_source=evidence.temperature.source,
            indices=(0, evidence.last_index),
        )
        return assess(settings, locked[-1], inputs)


def _um(row: ReadingRow) -> float:
    """A reading of the tube, um. Raises Refused('bad_request') for one in another unit than a length's."""
    scale = {"nm": 1e-3, "um": 1.0, "mm": 1e3, "m": 1e6}.get(row.unit)
    if scale is None or row.value is None:
        raise Refused("bad_request", f"Reading {row.channel} is in {row.unit}.", advice="Read the tube in mm or um.")
    return scale * row.value
