"""A wall that is reached by way of a mirror, as an arrangement of benchd.

The way from the mirror to the wall stands in the bench file, as neither ever moves; what is typed is the way to the
mirror.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from pydantic import Field

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.conjugate import ConjugateTerm
from benchd.arrangements.setup_document import SetupDocument
from benchd.arrangements.wall import Wall
from benchd.files.artefacts import Lens
from benchd.files.bench_file import BenchFile, SetUp
from benchd.metrology.drawn import Drawn, Stratum

if TYPE_CHECKING:
    import numpy as np


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

    @classmethod
    def strata(cls) -> Mapping[str, Stratum]:
        return {"by way of the mirror": by_way_of_the_mirror}


def by_way_of_the_mirror(rng: np.random.Generator) -> Drawn:
    """A case of the accuracy study: leg, way to the mirror and lens off their records, the image found by trial."""
    f, leg, way = float(rng.uniform(25.0, 100.0)), float(rng.uniform(500.0, 3000.0)), float(rng.uniform(2000.0, 6000.0))
    u_f, u_gap, u_leg, u_way = 0.002 * f, 1.0, 2.0, 3.0
    gap = 8.0
    lens = {"lens": "S-1", "mount": "m", "f_number": 2.0, "focal_length_mm": {"value": f, "u": u_f}}
    setup = SetupDocument(arrangement="folded", ring="infinity", distance_mm=way)
    any_file: Any = BenchFile
    file = any_file.model_construct(set_up=SetUp(u_distance_mm=u_way))
    folded = Folded(Folded.Config(leg_mm=leg, u_leg_mm=u_leg))
    term = folded.conjugate(
        Lens.model_validate({**lens, "principal_gap_mm": {"value": gap, "u": u_gap}}), setup, file
    ).term
    truth = _deeper_um(
        f + float(rng.normal(0.0, u_f)),
        leg + float(rng.normal(0.0, u_leg)) + way + float(rng.normal(0.0, u_way)),
        gap + float(rng.normal(0.0, u_gap)),
    )
    return Drawn(term.value_um, term.u_um, 1.96 * term.u_um, truth)


def _deeper_um(f: float, from_wall_to_image: float, gap: float) -> float:
    """How much deeper than infinity a thin lens with such a gap images the wall: 1/a + 1/b = 1/f, halving the doubt."""
    low, high = f, 2.0 * f
    for _ in range(80):
        b = 0.5 * (low + high)
        a = from_wall_to_image - gap - b
        low, high = (b, high) if 1.0 / a + 1.0 / b > 1.0 / f else (low, b)
    return 1000.0 * (0.5 * (low + high) - f)
