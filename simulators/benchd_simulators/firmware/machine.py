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


class Machine(Protocol):
    """The simulated bench as its electronics meet it."""

    @property
    def motor(self) -> Motor: ...
    @property
    def lamp(self) -> Lamp: ...
    @property
    def camera(self) -> Camera: ...
    @property
    def limit_switch(self) -> bool: ...
    @property
    def end_switch(self) -> bool: ...
    @property
    def switches_off_um(self) -> float:
        """How far the carriage has to go, at the least, until a switch changes; below 0 where that is not known."""

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
    def encoder_reference_seen(self) -> bool: ...
    def encoder_um(self) -> float: ...
    def indicator_um(self) -> float: ...
    def circuit_closed(self, switch: str) -> bool: ...
    def hand(self, command: Mapping[str, Any]) -> dict[str, Any]: ...
    def fault(self, name: str, value: object = True) -> None:
        """Raises ValueError with a sentence."""

    def truth(self, lp_mm: float = 40.0) -> Mapping[str, Any]: ...
