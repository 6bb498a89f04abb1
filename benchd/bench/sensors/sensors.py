"""What meters tell of the room by themselves: its temperature, how far the wall is, how the bench leans.

A reading that is bad, too old, or cannot be had is none, and is said so; then a person types what it would have told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.assembly import Assembly
from benchd.devices import Clock, DeviceError, Meter, Reading
from benchd.errors import Refused
from benchd.files.bench_file import BenchFile, Role
from benchd.quantities import converted

IN: Mapping[Role, tuple[str, str, str]] = {
    "temperature": ("temperature_C", "degC", "°C"),
    "range": ("distance_mm", "mm", "mm"),
    "level": ("", "arcmin", "arcmin"),
}
"""Of each role the key of the set-up that it tells, the unit of that, and how that is printed."""
ENTERS = 0.25
"""What is told enters once it differs from what stands there by more than this part of its u. What it stands off less,
uniformly, adds 1 % to u: sqrt(1 + 0.25^2 / 3) (JCGM 100, 4.3.7); a whole u would add 15 %."""
APART = 2.0
"""So many standard uncertainties what is typed and what is told may lie apart."""


@dataclass(frozen=True, slots=True)
class Silent:
    """Why a sensor tells nothing: a clause."""

    why: str


@dataclass(slots=True)
class Told:
    """What sensors bring into the set-up, `by` which of them, and what is to be said of it (code, text, advice)."""

    values: dict[str, float | None] = field(default_factory=dict)
    by: dict[str, str] = field(default_factory=dict)
    said: list[tuple[str, str, str]] = field(default_factory=list)


class Sensors:
    """The meters in the roles of `IN`."""

    def __init__(self, assembly: Assembly, file: BenchFile, clock: Clock) -> None:
        self._assembly, self._file, self._clock = assembly, file, clock
        self._silent: dict[str, str] = {}  # what was said last of each that tells nothing

    def _meter(self, role: str) -> Meter | None:
        return self._assembly.in_role(role, Meter)

    async def read(self, role: Role) -> tuple[float, Reading] | Silent | None:
        """What it tells now, in the unit of its role, and the reading; None where no meter has the role."""
        meter = self._meter(role)
        if meter is None:
            return None
        try:
            reading = await meter.read()
        except DeviceError as error:
            return Silent(error.text.rstrip("."))
        if reading.quality == "bad":
            return Silent(f"it reads {reading.value:g} {reading.unit}, which cannot be")
        age_s, oldest_s = self._clock.monotonic() - reading.t_mono, self._file.sensors.oldest_s(role)
        if age_s > oldest_s:
            return Silent(f"its reading is {age_s:.0f} s old, and {oldest_s:g} s is the most (sensors.{role}.oldest_s)")
        return converted(reading.value, reading.unit, IN[role][1]), reading

    async def told(
        self, setup: SetupDocument, nominal_um: float | None, nominal_at: Callable[[float], float | None]
    ) -> Told:
        """What the set-up is to be changed by: what is told and differs from what stands there by more than `ENTERS`.

        `nominal_um` is where the carriage stands by this set-up, `nominal_at` tells it for another distance (mm).
        """
        told = Told()
        await self._temperature(setup, told)
        await self._distance(setup, nominal_um, nominal_at, told)
        return told

    async def _temperature(self, setup: SetupDocument, told: Told) -> None:
        found = await self._heard("temperature", told, "type temperature_C")
        if found is None:
            if self._meter("temperature") is not None and "temperature_C" in setup.told_by:
                told.values["temperature_C"] = None  # a room warms while nobody looks
            return
        u_K = self._file.u_temperature_K(True)
        known = setup.temperature_C if "temperature_C" in setup.told_by else None
        if known is None or abs(found - known) > ENTERS * u_K:
            told.values["temperature_C"], told.by["temperature_C"] = round(found, 3), self._name("temperature")

    async def _distance(
        self,
        setup: SetupDocument,
        nominal_um: float | None,
        nominal_at: Callable[[float], float | None],
        told: Told,
    ) -> None:
        if self._file.sensors.range is None or setup.lens is None or nominal_um is None:
            return
        found = await self._heard("range", told, "type distance_mm")
        if found is None:
            return
        own = self._file.sensors.range
        distance_mm = found + own.offset_mm + nominal_um / 1000.0
        typed = setup.distance_mm is not None and "distance_mm" not in setup.told_by
        if typed and setup.distance_mm is not None:
            u_mm = (own.u_mm**2 + self._file.set_up.u_distance_mm**2) ** 0.5
            if abs(distance_mm - setup.distance_mm) > APART * u_mm:
                text = f"The set-up says {setup.distance_mm:.0f} mm to the wall, and {self._name('range')} tells"
                advice = "Measure it again; cleared (null), it is taken from the meter."
                told.said.append(("range_differs", f"{text} {distance_mm:.0f} mm.", advice))
        elif setup.distance_mm is None or abs(distance_mm - setup.distance_mm) > ENTERS * own.u_mm:
            # The wall's own shift takes the target with it: half a millimetre of a 50 mm lens that had no distance yet.
            then_um = nominal_at(distance_mm)
            shifted_um = 0.0 if then_um is None else then_um - nominal_um
            told.values["distance_mm"] = round(distance_mm + shifted_um / 1000.0, 3)
            told.by["distance_mm"] = self._name("range")

    async def _heard(self, role: Role, told: Told, instead: str) -> float | None:
        found = await self.read(role)
        if not isinstance(found, Silent):
            self._silent.pop(role, None)
            return None if found is None else found[0]
        if self._silent.get(role) != found.why:
            self._silent[role] = found.why
            text = f"{self._name(role)} (role {role}) tells nothing: {found.why}."
            told.said.append(("sensor_silent", text, f"See to it; until then {instead}."))
        return None

    def _name(self, role: str) -> str:
        return self._assembly.roles[role]

    async def check_typed(self, stated: Mapping[str, Any]) -> None:
        """Raise Refused('bad_request') for a temperature that is typed although a sensor tells it."""
        if stated.get("temperature_C") is None:
            return
        found = await self.read("temperature")
        if found is not None and not isinstance(found, Silent):
            raise Refused(
                "bad_request",
                f"{self._name('temperature')} tells the temperature, {found[0]:.1f} °C now.",
                advice="Leave temperature_C out; where it is wrong, take its role out of the bench file.",
                data={"told_C": found[0]},
            )

    async def level(self) -> tuple[Reading, list[str]] | None:
        """How the bench leans (arcmin), and a sentence where that is too much or not known; None without a meter.

        Raises Refused('limit') where the bench file wants that beyond its bound nothing is measured.
        """
        bound = self._file.sensors.level
        found = await self.read("level")
        if bound is None or found is None:
            return None
        if isinstance(found, Silent):
            return self._no_level(found.why, refuse=bound.beyond == "refuse")
        lean, reading = found
        plain = Reading(lean, "arcmin", reading.t_mono, reading.t_utc, reading.quality)
        if abs(lean) <= bound.most_arcmin:
            return plain, []
        text = f"The bench leans by {lean:.1f} arcmin; {bound.most_arcmin:g} is the most (sensors.level)."
        if bound.beyond == "refuse":
            raise Refused("limit", text, advice="Level it, then go on.", data={"lean_arcmin": lean})
        return plain, [text]

    def _no_level(self, why: str, *, refuse: bool) -> tuple[Reading, list[str]]:
        text = f"How the bench leans is not known: {self._name('level')} tells nothing, {why}."
        if refuse:
            raise Refused("limit", text, advice="See to it, or write `beyond: note` under sensors.level.")
        return Reading(0.0, "arcmin", self._clock.monotonic(), self._clock.utc(), "bad"), [text]
