"""A wall that is reached by way of a mirror, as an arrangement of benchd.

The way from the mirror to the wall stands in the bench file, as neither ever moves; what is typed is the way to the
mirror.
"""

from __future__ import annotations

import math
from typing import ClassVar

from pydantic import Field

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.conjugate import ConjugateTerm
from benchd.arrangements.setup_document import SetupDocument
from benchd.arrangements.wall import Wall
from benchd.files.artefacts import Lens
from benchd.files.bench_file import BenchFile


class Folded(Arrangement):
    name = "folded"
    stands = "target on the carriage, the wall seen in a mirror"
    goes_by = ("distance_mm", "m")
    cannot_tell = ("What the mirror does to the picture.",)
    improves: ClassVar = {
        **Wall.improves,
        "conjugate distance": "measure leg_mm again, and the way to the mirror",
    }

    class Config(Arrangement.Config):
        """From the mirror to the wall, and its standard uncertainty."""

        leg_mm: float = Field(gt=0.0)
        u_leg_mm: float = Field(gt=0.0)

    config: Config

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        if setup.distance_mm is not None:
            setup = setup.model_copy(update={"distance_mm": setup.distance_mm + self.config.leg_mm})
        u_mm = math.hypot(file.set_up.u_distance_mm, self.config.u_leg_mm)
        typed = file.set_up.model_copy(update={"u_distance_mm": u_mm})
        return Wall(Wall.Config()).conjugate(lens, setup, file.model_copy(update={"set_up": typed}))
