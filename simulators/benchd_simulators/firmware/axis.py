"""One axis of the motion board: its motor, its switches, its numbers and its figures."""

from __future__ import annotations

from collections.abc import Mapping

from benchd_simulators.firmware.build import Build
from benchd_simulators.firmware.coordinates import Coordinates
from benchd_simulators.firmware.homing import tripped
from benchd_simulators.firmware.machine import Limb, Machine
from benchd_simulators.firmware.settings import Settings

UNIT_UM = 1000.0


class BoardAxis:
    """`limb` is what it moves; `settings` have the figures of its letter."""

    def __init__(self, limb: Limb, settings: Settings, build: Build) -> None:
        self.limb = limb
        self.settings = settings
        self.coordinates = Coordinates(settings, build)

    @property
    def tripped(self) -> bool:
        """Its limit input."""
        return tripped(self.limb)

    @property
    def machine_mm(self) -> float:
        """Where it stands, in the board's own numbers."""
        return self.coordinates.machine_um(self.limb.motor.position_um) / UNIT_UM

    def on_step_um(self, target_mm: float) -> float:
        """The place of the step that is nearest."""
        step_um = self.settings.step_um
        return round(target_mm * UNIT_UM / step_um) * step_um

    def outside(self, target_um: float) -> bool:
        """Whether soft limits are on and forbid this place."""
        low, high = self.coordinates.space_um
        return self.settings.soft_limits and not low <= target_um <= high


def axes_of(machine: Machine, settings: Settings, build: Build) -> dict[str, BoardAxis]:
    """By letter, in the order of the letters."""
    limbs: Mapping[str, Limb] = machine.limbs
    return {letter: BoardAxis(limbs[letter], settings.of(letter), build) for letter in sorted(limbs)}
