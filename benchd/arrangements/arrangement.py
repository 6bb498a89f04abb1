"""The interface of arrangements, found by the entry point group `benchd.arrangements`.

    class Sideways(Arrangement):
        name = "sideways"
        stands = "target on the carriage, a mirror before the eye"

        class Config(Arrangement.Config):
            mirror_mm: float

        def conjugate(self, lens, setup, file):
            return parallel_light(lens, setup)

An arrangement is made from its own keys in the bench file (`arrangement: {kind: sideways, mirror_mm: 40}`; one without
keys is given by its name alone). It has no state: its methods are pure functions.
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
    from benchd.bench.datum.chain_terms import CalibrationInForce
    from benchd.files.artefacts import Lens
    from benchd.files.bench_file import BenchFile
    from benchd.files.loading import LoadedBench
    from benchd.files.problems import Problem
    from benchd.metrology.chain_term import ChainTerm
    from benchd.metrology.drawn import Stratum

ARRANGEMENT_API = 1
"""The version of this interface; a class that does not state one was written for 1."""

OF_THE_WALL = ("distance_mm", "m")
"""Keys of the set-up that only some arrangements use."""


@dataclass(frozen=True, slots=True)
class Stands:
    """Sums of the chain's terms, for computing the carriage position (um).

    `depth_at_zero_um` is the depth by base, adapters and the rest of the bench with the carriage at 0,
    `nominal_depth_um` the depth of nominal without trim (None without a lens); `scale_growth` the relative growth of
    the carriage's scale (1).
    """

    depth_at_zero_um: float
    nominal_depth_um: float | None
    scale_growth: float
    trim_um: float
    lens: Lens | None


class Arrangement(ABC):
    """One arrangement of target, lens and detector.

    `stands` is a clause saying what stands where; `goes_by` the keys of `OF_THE_WALL` that it uses; `moves_target`
    whether depth changes with the carriage; `pitch_goes_with_lens` whether the size of the target in a picture depends
    on the lens, so that a camera has to state its pixel size; `curve_width` the width of the through-focus curve in
    offset, relative to light that passes the lens once; `cannot_tell` sentences on what no measurement on such a bench
    shows; `improves` advice on the lines of the budget that it adds, by the line's name or its first word and its part;
    `calibrated_in` the artefacts of its own that a calibration may be of, each with the unit that is counted in.
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
    calibrated_in: ClassVar[Mapping[str, str]] = {}

    class Config(Record):
        """Keys of its own under `arrangement` in the bench file."""

    def __init__(self, config: Any) -> None:
        self.config = config

    def with_calibrations(self, in_force: Mapping[str, CalibrationInForce]) -> Arrangement:
        """The same with what is in force (artefact -> calibration) of its own artefacts."""
        return self

    @abstractmethod
    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        """How much deeper the image lies than with light from infinity and the ring at infinity. Raises Refused."""

    def terms(self, lens: Lens) -> Sequence[ChainTerm]:
        """Terms of its own beside the conjugate one, as contributions to the nominal depth."""
        return ()

    def advice(self) -> Mapping[str, str]:
        """`improves`, as it holds for these keys of the bench file."""
        return self.improves

    def places(self, stands: Stands) -> Places:
        """Carriage, depth and offset."""
        nominal: float | None = None
        if stands.nominal_depth_um is not None:
            reached = stands.nominal_depth_um + stands.trim_um - stands.depth_at_zero_um
            nominal = reached / (1.0 + stands.scale_growth)
        return OnCarriage(stands.depth_at_zero_um, stands.scale_growth, nominal, stands.trim_um)

    def problems(self, loaded: LoadedBench, travel_um: tuple[float, float]) -> list[Problem]:
        """Problems, at their lines, of its keys with a carriage of this travel (um)."""
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
        """A sentence if the conjugate term alone keeps even a perfect lens from passing, else None."""
        return None
