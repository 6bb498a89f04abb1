"""Source and detector on the carriage, a mirror before the lens: light passes the lens twice, and no wall is needed.

A source x deeper than focus returns at -x / (1 - 2 L x / f^2), L from the mirror to the lens's front focal point; a
detector p deeper than the source sees it sharp at x = -p/2 (Newton's equation twice). A mirror of radius R adds f^2/R.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, ClassVar

from pydantic import Field

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.conjugate import AT_A_MARK, ConjugateTerm, parallel_light
from benchd.arrangements.setup_document import SetupDocument
from benchd.files.artefacts import Flatness, Lens
from benchd.files.bench_file import BenchFile
from benchd.files.bounds import Within
from benchd.files.names import Record
from benchd.metrology.budget import standard_u
from benchd.metrology.chain_term import ChainTerm

TWICE = (
    "Light passes the lens twice, and what spherical aberration it has counts twice: the peak then lies shallower than "
    "that of one pass, for one wave of it by 0.1 µm at f/2, 0.5 at f/2.8 and 1.9 at f/4, which is not taken off."
)
"""By numerical quadrature of the transfer function (own computation, no source), the mirror 150 mm before the lens's
front focal point; in it they are .1, .4 and 1.5."""


class Pickup(Record):
    """How much deeper than the source the detector lies, and its standard uncertainty."""

    deeper_um: Annotated[float, Within(-1000.0, 1000.0, "um")]
    u_um: Annotated[float, Field(gt=0), Within(0.01, 500.0, "um", why="a plane is set to 0.1 µm at best")]


class Autocollimation(Arrangement):
    """See the module docstring."""

    name = "autocollimation"
    stands = "source and detector on the carriage, a plane mirror before the lens"
    curve_width: ClassVar[float] = 0.5
    cannot_tell = (
        "Errors of the lens that are odd over its pupil, such as coma: the way back undoes them.",
        TWICE,
        "What the lens does at a near distance, unless the ring is set to a mark.",
    )
    improves: ClassVar = {
        **AT_A_MARK,
        "pickup": "measure closer how much deeper than the source the detector lies, and state u_um of `pickup`",
        "mirror": "use a flatter mirror, and state its flatness_um",
    }

    class Config(Arrangement.Config):
        """Where the detector is beside the source, and how flat the mirror is."""

        pickup: Pickup
        mirror: Flatness

    config: Config

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        found = parallel_light(lens, setup, light="The lens's own light, from a plane mirror", source="autocollimation")
        return replace(found, notes=(*found.notes, TWICE))

    def terms(self, lens: Lens) -> Sequence[ChainTerm]:
        pickup, mirror = self.config.pickup, self.config.mirror
        most_um = 1000.0 * lens.focal_length_mm.value**2 / mirror.least_radius_mm
        return (
            ChainTerm("pickup", -0.5 * pickup.deeper_um, 0.5 * pickup.u_um, None, "normal", "bench file"),
            ChainTerm("mirror", 0.0, standard_u(most_um, "rectangular"), None, "rectangular", "bench file"),
        )
