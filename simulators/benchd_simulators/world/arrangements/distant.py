"""The two arrangements in which the lens meets light from far away, and what is judged stands on the carriage."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from benchd_simulators.world.arrangements.arrangement import Arrangement, Key
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.schema import WorldRecord


class Wall(Arrangement):
    """The target on the carriage, its image on a wall, where a camera or an eye sees it."""

    needs: ClassVar[Mapping[Key, str]] = {("room", "distance_mm"): "how far the wall is from the target"}
    may: ClassVar[frozenset[Key]] = frozenset({("room", "distance_over"), ("room", "tape_ratio_u")})

    def __init__(self, record: WorldRecord, draws: Draws) -> None:
        super().__init__(record, draws)
        if record.room.distance_mm is None:
            raise ValueError("the arrangement wall needs a distance_mm")

    def light(self, distance_mm: float) -> float:
        """The lamp's record is of a wall 5 m away."""
        return (5000.0 / distance_mm) ** 2


class Collimated(Arrangement):
    """A collimator before the lens, the camera's sensor on the carriage."""

    may: ClassVar[frozenset[Key]] = frozenset({("room", "vergence_per_m"), ("tube",), ("flats",)})
    no_wall: ClassVar[str] = "This bench has a collimator before the lens and no wall."
    no_tape: ClassVar[str] = "There is nothing to measure with a tape: the light is collimated."
