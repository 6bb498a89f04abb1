"""A collimator before the lens, the sensor on the carriage."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import ClassVar

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.conjugate import AT_A_MARK, ConjugateTerm, LensInputs, parallel_light
from benchd.arrangements.setup_document import SetupDocument
from benchd.files import known_to
from benchd.files.artefacts import Lens
from benchd.files.bench_file import BenchFile
from benchd.metrology.budget import Part

VERGENCE_NOT_STATED = (
    "Vergence of the collimator not stated (`arrangement: {kind: collimated, u_vergence_per_m}` in the bench file): it "
    "is taken as zero."
)


class Collimated(Arrangement):
    """The residual vergence of the collimator's light displaces the image by f^2 times the vergence (Newton)."""

    name = "collimated"
    stands = "a collimator before the lens, the sensor on the carriage"
    cannot_tell = ("What the lens does at a near distance, unless the ring is set to a mark.",)
    pitch_goes_with_lens = True
    improves: ClassVar = {
        **AT_A_MARK,
        "conjugate collimator": "set the collimator with more care and state u_vergence_per_m in the bench file",
    }

    class Config(Arrangement.Config):
        """How parallel the collimator's light is: standard uncertainty of its vergence at the lens, 1/m (dioptres)."""

        u_vergence_per_m: known_to.OfVergence | None = None

    config: Config

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        found = parallel_light(lens, setup, light="Collimated light", source="collimated")
        if setup.ring is None or setup.ring == "free":
            return found
        if self.config.u_vergence_per_m is None:
            return replace(found, notes=(*found.notes, VERGENCE_NOT_STATED))
        given = LensInputs.from_lens(lens)
        u_um = given.f[0] ** 2 * self.config.u_vergence_per_m  # mm^2 / m is um
        source = "collimator, bench file" if found.term.u_um <= u_um else found.term.source
        parts = (*found.term.parts, Part("collimator", u_um))
        u_both = math.hypot(found.term.u_um, u_um)
        term = replace(found.term, u_um=u_both, dof=given.dof_for(parts), source=source, parts=parts)
        return replace(found, term=term)
