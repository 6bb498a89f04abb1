"""The board's own numbers: which way they grow along the motor, and where homing has put their origin."""

from __future__ import annotations

from benchd_simulators.firmware.build import Build
from benchd_simulators.firmware.settings import Settings


class Coordinates:
    """Machine co-ordinates (um) and the motor's count, one from the other."""

    def __init__(self, settings: Settings, build: Build) -> None:
        self._settings = settings
        self._build = build
        self._origin_um = 0.0  # the machine's number where the motor counts 0

    @property
    def plus(self) -> int:
        """The motor's way (1 or -1) on which the machine's numbers grow."""
        return -1 if self._settings.plus_is_shallower else 1

    @property
    def home_way(self) -> int:
        """The motor's way to the switch."""
        return -self.plus if self._settings.homes_to_minus else self.plus

    def machine_um(self, motor_um: float) -> float:
        return self.plus * motor_um + self._origin_um

    def motor_um(self, machine_um: float) -> float:
        return self.plus * (machine_um - self._origin_um)

    def forget(self) -> None:
        """Power-up: 0 is wherever it stands."""
        self._origin_um = 0.0

    def homed(self) -> None:
        """The motor counts 0 after the pull-off. A stock machine's space goes from -$132 to 0, the switch at an end."""
        settings = self._settings
        if self._build.origin_at_switch:
            self._origin_um = 0.0
        elif settings.homes_to_minus:
            self._origin_um = settings.pull_off_um - settings.travel_um
        else:
            self._origin_um = -settings.pull_off_um

    @property
    def space_um(self) -> tuple[float, float]:
        """Where soft limits let it go."""
        travel_um = self._settings.travel_um
        if self._build.origin_at_switch and self._settings.homes_to_minus:
            return 0.0, travel_um
        return -travel_um, 0.0
