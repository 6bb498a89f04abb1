"""The room around the bench: temperature, wall, ring and iris as the hand has set them, and what a tape says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import hypot, inf
from typing import TYPE_CHECKING

from benchd_simulators.world.drawing import Drawn, Draws, unit_draw
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.fitting import REFERENCE_C
from benchd_simulators.world.marks import Marks, stuck
from benchd_simulators.world.schema import WorldRecord
from benchd_simulators.world.strip import Strip, hung

if TYPE_CHECKING:
    from benchd_simulators.world.arrangements import Arrangement

Ring = str | dict[str, float | str]


@dataclass(slots=True)
class Room:
    """What is typed stands in `temperature_C` and `distance_mm`; what is true in the `true_` properties.

    `stands` tells how far behind the base face (um) a target in focus lies with what is on the bench: bench and wall
    stay, so the distance between target and wall goes with it. `now` is world time: the room warms while nobody looks.
    """

    record: WorldRecord
    draws: Draws
    arrangement: Arrangement
    now: Callable[[], float]
    ring: Ring = "infinity"
    iris: float | None = None
    square_off_px: tuple[float, float] = (0.0, 0.0)
    marks: Marks | None = None
    strip: Strip | None = None
    home_mm: float = inf
    """True distance of the wall where the world has it: there a pixel of the camera is what its record says."""
    _marked: int = 0
    _hung: int = 0
    stands: Callable[[], float] = lambda: 0.0
    _taped_mm: float = inf
    _taped_true_mm: float = inf
    _taped_at_um: float = 0.0
    vergence_per_m: float = 0.0
    _error_K: float = 0.0
    _set_C: float = 0.0
    _set_t: float = 0.0
    _walls: int = 0
    _tapes: dict[tuple[int, float], float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        temperature = self.record.room.temperature_C
        self._set_C, self._set_t = temperature.record, self.now()
        self._error_K = self.draws.quantity("room.temperature_C", *temperature.parts) - temperature.record
        if self.record.room.distance_mm is not None and not self.arrangement.no_wall:
            self._taped_mm = self.record.room.distance_mm.record
            self._taped_true_mm = self.draws.quantity("room.distance_mm", *self.record.room.distance_mm.parts)
            self.home_mm = self._taped_true_mm
        if self.record.room.vergence_per_m is not None:
            self.vergence_per_m = self.draws.quantity("room.vergence_per_m", *self.record.room.vergence_per_m.parts)

    def taped_at(self, stands_um: float) -> None:
        """The distance was measured with the target so far behind the base face."""
        self._taped_at_um = stands_um

    @property
    def distance_mm(self) -> float:
        """What a tape says now: its error is the one that was drawn."""
        return self._taped_mm + (self.stands() - self._taped_at_um) / 1000

    @property
    def true_distance_mm(self) -> float:
        return self._taped_true_mm + (self.stands() - self._taped_at_um) / 1000

    @property
    def temperature_C(self) -> float:
        """What a thermometer on the wall says now, and is typed."""
        return self._set_C + self.record.room.drift_K_per_h * (self.now() - self._set_t) / 3600.0

    @property
    def true_temperature_C(self) -> float:
        return self.temperature_C + self._error_K

    @property
    def delta_K(self) -> float:
        """True temperature above the reference."""
        return self.true_temperature_C - REFERENCE_C

    def set_temperature(self, value: float) -> None:
        if not -10 <= value <= 50:
            raise HandRefused(f"{value:g} C is no temperature for a workshop; -10 to 50 may be set.")
        self._set_C, self._set_t = value, self.now()

    def set_wall(self, value: float) -> None:
        """The bench is moved to `value` mm from the wall by tape; the tape's error is drawn anew."""
        if self.arrangement.no_wall or self.record.room.distance_mm is None:
            raise HandRefused(self.arrangement.no_wall)
        if not 300 <= value <= 100_000:
            raise HandRefused(f"The wall can stand 300 to 100000 mm away, not {value:g}.")
        self._walls += 1
        tape = self.record.room.distance_mm
        error = tape.u * unit_draw(self.draws.rng(f"room.wall/{self._walls}"), tape.shape)
        self._taped_mm, self._taped_at_um = value, self.stands()
        self._taped_true_mm = self.draws.put(Drawn("room.distance_mm", value, tape.u, tape.shape, value + error))

    def set_marks(self, value: object) -> None:
        """Two marks on the wall, `value` mm apart by a rule; null takes them off."""
        if self.arrangement.no_wall:
            raise HandRefused(self.arrangement.no_wall)
        self._marked += 1
        self.marks = stuck(self.draws, self._marked, value)

    def set_strip(self, value: object) -> None:
        """A strip of bars on the wall, its pitch `value` mm by a rule; null takes it off."""
        if self.arrangement.no_wall:
            raise HandRefused(self.arrangement.no_wall)
        self._hung += 1
        self.strip = hung(self.draws, self._hung, value)

    def wall(self) -> tuple[int, float, float, Drawn | None]:
        """What `put_wall` needs to bring the wall back."""
        return self._walls, self._taped_mm, self._taped_at_um, self.draws.known("room.distance_mm")

    def put_wall(self, wall: tuple[int, float, float, Drawn | None]) -> None:
        """Back to an earlier place, its error with it."""
        self._walls, self._taped_mm, self._taped_at_um, drawn = wall
        if drawn is not None:
            self._taped_true_mm = self.draws.put(drawn)

    def set_ring(self, value: object) -> None:
        """`infinity`, `hard_stop`, `free`, `{"mark": 2}` or `{"free": 3.5}` (metres from the target plane)."""
        if value in {"infinity", "hard_stop", "free"} if isinstance(value, str) else False:
            self.ring = str(value)
            return
        if isinstance(value, dict) and len(value) == 1:
            key, metres = next(iter(value.items()))
            if key == "mark" and metres == "inf":
                self.ring = "infinity"
                return
            if key in {"mark", "free"} and isinstance(metres, int | float) and 0.25 <= metres <= 1000:
                self.ring = {str(key): float(metres)}
                return
        raise HandRefused('The ring goes to "infinity", "hard_stop", "free", {"mark": metres} or {"free": metres}.')

    def tape(self, m: float | None) -> dict[str, object]:
        """What the tape says: target to wall, and the pitch on the wall as a magnification, target over wall."""
        if self.arrangement.no_tape:
            raise HandRefused(self.arrangement.no_tape)
        answer: dict[str, object] = {"distance_mm": round(self.distance_mm, 1), "m": None}
        if m is not None:
            side, ratio_u = self.record.target.side_mm, self.record.room.tape_ratio_u
            true_side = self.draws.quantity("target.side_mm", *side.parts)
            key = (self._walls, round(m, 9))
            if key not in self._tapes:
                self._tapes[key] = ratio_u * float(self.draws.rng(f"room.tape/{len(self._tapes)}").standard_normal())
            value = m * side.record / true_side * (1 + self._tapes[key])
            answer["m"] = {"value": value, "u": value * hypot(ratio_u, side.u / side.record)}
        return answer
