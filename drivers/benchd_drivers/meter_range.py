"""A number that a device tells, as a meter's value in its unit, and whether the device can tell it at all."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, Field, model_validator

from benchd.devices import Health, printed_unit


class ScaleConfig(BaseModel):
    """The value is `scale` times the device's number plus `offset`, in `unit`; outside `low` to `high` the device
    cannot tell it, and the reading is bad (a broken sensor often tells its greatest number)."""

    quantity: str = Field(pattern=r"^[a-z][a-z_]*$")
    unit: str = ""
    scale: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)
    low: float | None = Field(default=None, allow_inf_nan=False)
    high: float | None = Field(default=None, allow_inf_nan=False)

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.scale == 0:
            raise ValueError("scale must not be 0")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError("low must be below high")
        return self


def judged(
    name: str, value: float, unit: str, low: float | None, high: float | None
) -> tuple[Literal["good", "bad"], Health]:
    """Quality of a reading and the health with it; out of range is overflow, a broken sensor, lost contact."""
    if (low is None or value >= low) and (high is None or value <= high):
        return "good", Health("ok")
    text = f"{name} tells {value:g} {printed_unit(unit)}, outside its range."
    return "bad", Health("degraded", "out_of_range", text)
