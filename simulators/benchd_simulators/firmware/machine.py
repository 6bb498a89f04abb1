"""What the firmware asks of the world: a motor to step, switches to read, instruments to sample."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol


class Motor(Protocol):
    """A stepper with its ramp generator. Positions are counted steps in um, not the carriage's true place."""

    @property
    def position_um(self) -> float: ...
    @property
    def speed_um_s(self) -> float: ...
    @property
    def moving(self) -> bool: ...
    @property
    def rests_in_s(self) -> float:
        """World time until it stands still, 0 at rest."""

    def start(self, target_um: float, speed_um_s: float) -> None:
        """Ramp towards `target_um`, from whatever speed the motor has now."""

    def hold(self) -> None:
        """Ramp down."""

    def cancel(self) -> None:
        """Ramp down and forget the target."""

    def abort(self) -> None:
        """The step pulses cease at once, at whatever speed."""

    def zero(self) -> None:
        """Count steps from here; at standstill only."""


class Lamp(Protocol):
    def set_level(self, level: float) -> None:
        """Duty of the PWM output, 0 to 1."""


class Camera(Protocol):
    def look(self) -> Any:
        """The world at this instant; quick."""

    def develop(self, instant: Any, exposure_ms: float, gain: float) -> bytes:
        """A PNG of what `look` saw; slow, and touches nothing of the world, so that a thread may do it."""


class Photodiode(Protocol):
    def volts(self) -> float: ...
    def reference_volts(self) -> float: ...


class RoomMeters(Protocol):
    def temperature_C(self) -> float: ...
    def base_to_wall_mm(self) -> float: ...
    def lean_arcmin(self) -> float: ...


class Limb(Protocol):
    """What one motor moves, and the switches at its ends."""

    @property
    def motor(self) -> Motor: ...
    @property
    def limit_switch(self) -> bool: ...
    @property
    def end_switch(self) -> bool: ...
    @property
    def switches_off_um(self) -> float:
        """How far it has to go, at the least, until a switch changes; below 0 where that is not known."""


class Machine(Limb, Protocol):
    """The simulated bench as its electronics meet it; itself it is its carriage."""

    @property
    def limbs(self) -> Mapping[str, Limb]:
        """All that has a motor by the letter of the board's that drives it; the carriage is Z. Of what turns, one
        `um` is a thousandth of a degree."""

    @property
    def lamp(self) -> Lamp: ...
    @property
    def camera(self) -> Camera: ...
    @property
    def board_settings(self) -> Mapping[int, float]:
        """What of the board's settings goes with what hangs on it, by number."""

    @property
    def resets_on_open(self) -> bool:
        """Whether opening its port resets the motion board."""

    @property
    def has_encoder(self) -> bool: ...
    @property
    def has_dial(self) -> bool: ...
    def dial_um(self) -> float: ...
    @property
    def has_photodiode(self) -> bool: ...
    @property
    def has_reference(self) -> bool: ...
    @property
    def photodiode(self) -> Photodiode: ...
    @property
    def room_meters(self) -> RoomMeters | None: ...
    @property
    def encoder_reference_seen(self) -> bool: ...
    def encoder_um(self) -> float: ...
    def indicator_um(self) -> float: ...
    def circuit_closed(self, switch: str) -> bool: ...
    def hand(self, command: Mapping[str, Any]) -> dict[str, Any]: ...
    def fault(self, name: str, value: object = True) -> None:
        """Raises ValueError with a sentence."""

    def truth(self, lp_mm: float = 40.0) -> Mapping[str, Any]: ...
