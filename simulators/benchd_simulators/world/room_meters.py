"""What meters tell of the room: its temperature, how far the wall is from the base face, how the bench leans."""

from __future__ import annotations

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.room import Room
from benchd_simulators.world.schema import RoomMetersRecord


class RoomMeters:
    """Each is off by an error of its own, drawn once; none is known to whoever types what a tape or a dial says."""

    def __init__(self, record: RoomMetersRecord, room: Room, draws: Draws) -> None:
        self._room = room
        self._error_K = draws.quantity("room.meters.thermometer_K", *record.thermometer_K.parts)
        self._error_mm = draws.quantity("room.meters.range_finder_mm", *record.range_finder_mm.parts)
        lean = draws.quantity("room.meters.lean_arcmin", *record.lean_arcmin.parts)
        self._lean_arcmin = lean + draws.quantity("room.meters.level_arcmin", *record.level_arcmin.parts)

    def temperature_C(self) -> float:
        """The thermometer's reading."""
        return self._room.true_temperature_C + self._error_K

    def base_to_wall_mm(self) -> float:
        """The range finder's: it stands still, whatever moves the target. Raises HandRefused without a wall."""
        if self._room.arrangement.no_wall:
            raise HandRefused(self._room.arrangement.no_wall)
        return self._room.true_distance_mm - self._room.stands() / 1000 + self._error_mm

    def lean_arcmin(self) -> float:
        """The level's."""
        return self._lean_arcmin
