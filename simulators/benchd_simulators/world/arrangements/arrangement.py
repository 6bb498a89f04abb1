"""What an arrangement decides, with the answers of the plainest one: the target stands on the carriage.

Depth is counted from the seat, positive away from the lens. An arrangement says how far the carriage carries what the
base's depth is taken to, how the bench images with what a lens does by itself, and what of it all is the lens's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.schema import WorldRecord

Key = tuple[str, ...]
NO_WALL = "there is no wall before the lens"
NOT_OF_ALL: Mapping[Key, str] = {
    ("room", "distance_mm"): NO_WALL,
    ("room", "distance_over"): NO_WALL,
    ("room", "tape_ratio_u"): NO_WALL,
    ("room", "vergence_per_m"): "there is no collimator whose light could be off parallel",
    ("collimator",): "no reticle of a collimator stands on its carriage",
    ("tube",): "there is no collimator with a draw tube",
    ("flats",): "there is no collimator that a flat could be held before",
    ("mirror",): "there is no mirror before the lens",
    ("pickup_um",): "there is no detector beside a source",
}
"""Keys of a world file that not every arrangement has a use for, and why one has none."""


class Arrangement:
    """One bench's arrangement; what it draws stands in the truth from the beginning.

    `needs` are the keys a world file must state, each with what it tells; `may` those it may state beside; the others
    of `NOT_OF_ALL` are refused for the reason there, or for the one in `otherwise`. `no_wall` and `no_tape` are what a
    hand is told that would move the wall or measure by tape; empty where there is a wall.
    """

    needs: ClassVar[Mapping[Key, str]] = {}
    may: ClassVar[frozenset[Key]] = frozenset()
    otherwise: ClassVar[Mapping[Key, str]] = {}
    no_wall: ClassVar[str] = ""
    no_tape: ClassVar[str] = ""

    def __init__(self, record: WorldRecord, draws: Draws) -> None:
        self.record = record

    @classmethod
    def problems(cls, record: WorldRecord) -> list[tuple[Key, str]]:
        """What a world file lacks, or states without a use; the place and a sentence for each."""
        name, found = record.arrangement, []
        for key, why in NOT_OF_ALL.items():
            stated = _stated(record, key)
            if key in cls.needs and not stated:
                found.append((key[:-1] or key, f"a world of arrangement {name} needs {key[-1]}: {cls.needs[key]}"))
            elif stated and key not in cls.needs and key not in cls.may:
                found.append((key, f"a world of arrangement {name} has no use for it: {cls.otherwise.get(key, why)}"))
        return found

    def must_image(self, name: str, lens: Optic) -> None:
        """Raises `HandRefused` for a lens of which this bench would see nothing."""

    def carried_um(self, carriage_um: float) -> float:
        """How far the carriage has carried what the base's depth is taken to."""
        return carriage_um

    def images(self, lens: Optic, carriage_um: float) -> Optic:
        """How the bench images now, in depths of what the base's depth is taken to; `lens`: for a distant object."""
        return lens

    def ideal(self, lens: Optic) -> Optic:
        """What would be measured were all but the lens ideal: its peak is what the focus error is counted from."""
        return lens

    def side_um(self, side_um: float, lens: Optic, carriage_um: float) -> float:
        """Side of the square in the plane in which the camera's pixels are counted, of the true side."""
        return side_um

    def light(self, distance_mm: float) -> float:
        """Light relative to what the lamp's record says."""
        return 1.0

    def tell(
        self, lens: Optic, *, carriage_um: float, depth_um: float, peak_um: float, ideal_um: float
    ) -> dict[str, float]:
        """For the truth, beside what all tell: of the peak as the bench now images, and as it would ideally."""
        return {}


def _stated(record: WorldRecord, key: Key) -> bool:
    node: Any = record
    for step in key:
        if step not in node.model_fields_set or getattr(node, step) is None:
            return False
        node = getattr(node, step)
    return True
