"""What the motion board knows of itself, apart from what it is doing."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from benchd_simulators.firmware.gcode import Modal
from benchd_simulators.firmware.settings import Settings


class Door(Enum):
    """Sub-state of `Door`; SHUT is no door state at all."""

    SHUT = -1
    READY = 0  # closed again, waits for a resume
    OPEN = 1  # at rest, still ajar
    STOPPING = 2


@dataclass
class State:
    """`locked`: G-code is refused (Alarm). `critical`: after a limit, deaf to everything but a reset. `stunned`: an
    alarm has just been told or the board still boots, and it looks at nothing at all. `asleep`: motors off until a
    reset. `ajar`: the door's input."""

    settings: Settings = field(default_factory=Settings)
    modal: Modal = field(default_factory=Modal)
    identity: str = ""
    locked: bool = True
    critical: bool = False
    stunned: bool = False
    asleep: bool = False
    ajar: bool = False
    homing: bool = False
    checking: bool = False
    door: Door = Door.SHUT
    power: float = 0.0  # the S value that is on the PWM output, 0 when off

    def restart(self) -> None:
        """What a soft reset does to it: modes and the G92 offset go, settings and the G54 offset stay."""
        self.modal = Modal(g54_mm=self.modal.g54_mm)
        self.critical = self.stunned = self.homing = self.checking = False
        if self.asleep:  # its motors were off: nobody knows where it stands
            self.asleep, self.locked = False, True
        self.power = 0.0
        if self.door is Door.STOPPING:
            self.door = Door.OPEN
        elif self.door is Door.READY:
            self.door = Door.SHUT
