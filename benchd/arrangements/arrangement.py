"""What an arrangement has to be. Our own and anybody's are found by the entry point group `benchd.arrangements`.

    class Sideways(Arrangement):
        name = "sideways"
        stands = "target on the carriage, a mirror before the eye"

        class Config(Arrangement.Config):
            mirror_mm: float

        def conjugate(self, lens, setup, file):
            return parallel_light(lens, setup)

An arrangement is made of its own keys in the bench file (`arrangement: {kind: sideways, mirror_mm: 40}`; one without
keys is named alone). It keeps no state: the same question has the same answer.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from benchd.arrangements.places import OnCarriage, Places
from benchd.errors import Refused
from benchd.files.names import Record

if TYPE_CHECKING:
    from benchd.arrangements.conjugate import ConjugateTerm
    from benchd.arrangements.setup_document import SetupDocument
    from benchd.files.artefacts import Lens
    from benchd.files.bench_file import BenchFile
    from benchd.files.loading import LoadedBench
    from benchd.files.problems import Problem
    from benchd.metrology.chain_term import ChainTerm
    from benchd.metrology.drawn import Stratum

ARRANGEMENT_API = 1
"""The version of this interface; a class that does not say which it was written for was written for 1."""

OF_THE_WALL = ("distance_mm", "m")
"""What of the set-up only some arrangements go by."""


@dataclass(frozen=True, slots=True)
class Stands:
    """What the terms of the chain come to, before the carriage has a place (um).

    `depth_at_zero_um` is what base, adapters and the rest of the bench give, the carriage left out, `nominal_depth_um`
    the depth of nominal, trim left out (None without a lens); `scale_growth` the growth of the carriage's scale (1).
    """

    depth_at_zero_um: float
    nominal_depth_um: float | None
    scale_growth: float
    trim_um: float
    lens: Lens | None


class Arrangement(ABC):
    """One arrangement, and what it makes of a set-up.

    `stands` says in a clause what stands where; `goes_by` which keys of the set-up it goes by, of those that not all
    do; `moves_target` whether the depth goes with the carriage; `pitch_goes_with_lens` whether it is the lens that says
    how large the target is in a picture, so that a camera has to know its own scale; `curve_width` how wide the
    through-focus curve is, in offsets, beside that of light that passes the lens once; `cannot_tell` in sentences what
    no measurement on such a bench shows; `improves` what a person can do about a line of the budget that it brings, by
    the first word of the line's name and by its part.
    """

    arrangement_api: ClassVar[int] = 1
    name: ClassVar[str]
    stands: ClassVar[str]
    goes_by: ClassVar[tuple[str, ...]] = ()
    moves_target: ClassVar[bool] = True
    pitch_goes_with_lens: ClassVar[bool] = False
    curve_width: ClassVar[float] = 1.0
    cannot_tell: ClassVar[tuple[str, ...]] = ()
    improves: ClassVar[Mapping[str, str]] = {}

    class Config(Record):
        """Keys of its own under `arrangement` in the bench file."""

    def __init__(self, config: Any) -> None:
        self.config = config

    @abstractmethod
    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        """How much deeper than with light from infinity and the ring there the image lies. Raises Refused."""

    def terms(self, lens: Lens) -> Sequence[ChainTerm]:
        """Terms of its own beside the conjugate one, as contributions to the nominal depth."""
        return ()

    def places(self, stands: Stands) -> Places:
        """Carriage, depth and offset."""
        nominal: float | None = None
        if stands.nominal_depth_um is not None:
            reached = stands.nominal_depth_um + stands.trim_um - stands.depth_at_zero_um
            nominal = reached / (1.0 + stands.scale_growth)
        return OnCarriage(stands.depth_at_zero_um, stands.scale_growth, nominal, stands.trim_um)

    def problems(self, loaded: LoadedBench, travel_um: tuple[float, float]) -> list[Problem]:
        """What of its keys does not go with a carriage that travels so far (um), at their lines."""
        return []

    def check_set_up(self, setup: SetupDocument, lens: Lens | None) -> None:
        """Raise Refused('bad_request') for a set-up that cannot be measured in this arrangement."""
        for key in OF_THE_WALL:
            if key not in self.goes_by and getattr(setup, key) is not None:
                raise Refused(
                    "bad_request",
                    f"There is no wall on this bench ({self.name}): {key} counts for nothing.",
                    advice=f"Leave {key} out, or null.",
                    data={"key": key},
                )

    @classmethod
    def strata(cls) -> Mapping[str, Stratum]:
        """What `scripts/study` draws of it by name: of each the share of intervals is told that hold the truth."""
        return {}

    def spoilt(self, conjugate: ChainTerm, low_um: float, high_um: float) -> str | None:
        """A sentence where the conjugate term alone keeps even a perfect lens from passing, else None."""
        return None
