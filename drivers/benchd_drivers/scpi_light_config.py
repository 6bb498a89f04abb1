"""What a bench file says of a light on a supply: between which values it is dimmed, and what must not be exceeded."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from benchd_drivers.scpi import ScpiConfig


class ScpiLightConfig(ScpiConfig):
    """Level 1 is the upper value of `current_A` or `voltage_V`, the least light its lower one; dark is the output off.

    The other quantity is held to `limit_V` or `limit_A`. `steps` is how many levels the supply tells apart there,
    `pwm_hz` how often a dimmer that it controls pulses.
    """

    current_A: tuple[float, float] | None = None
    voltage_V: tuple[float, float] | None = None
    limit_V: float | None = Field(default=None, gt=0, le=1000)
    limit_A: float | None = Field(default=None, gt=0, le=1000)
    steps: int = Field(default=1000, ge=1, le=1_000_000)
    pwm_hz: float | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.current_A is None) == (self.voltage_V is None):
            raise ValueError("give either current_A or voltage_V, from the least light to full light")
        key, wanted, other = (
            ("current_A", "limit_V", "limit_A") if self.current_A else ("voltage_V", "limit_A", "limit_V")
        )
        if getattr(self, other) is not None:
            raise ValueError(f"{other}: nothing here; with {key} it is {wanted} that limits")
        if getattr(self, wanted) is None:
            raise ValueError(f"{key} needs {wanted}: what the supply must not exceed")
        low, high = self.between
        if not 0 <= low < high <= 1000:
            raise ValueError(f"{key}: from the least light to full light, 0 or more, the second above the first")
        return self

    @property
    def between(self) -> tuple[float, float]:
        """Values of the least light and of full light."""
        found = self.current_A or self.voltage_V
        assert found is not None
        return found

    @property
    def limit(self) -> float:
        """Of the other quantity."""
        found = self.limit_V if self.current_A else self.limit_A
        assert found is not None
        return found

    @property
    def headers(self) -> tuple[str, str]:
        """What dims, and what limits, as the supply calls them."""
        return ("CURR", "VOLT") if self.current_A else ("VOLT", "CURR")

    def value(self, level: float) -> float:
        """What is set for a level above dark."""
        low, high = self.between
        return low + level * (high - low)

    def level(self, value: float) -> float:
        """And back, of a light that is on."""
        low, high = self.between
        return (value - low) / (high - low)
