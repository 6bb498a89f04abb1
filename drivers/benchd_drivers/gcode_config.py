"""A G-code axis as the bench file describes it."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from benchd.devices import AxisSpec
from benchd_drivers.gcode_status import LETTERS

SLIPS = (10, 100, 1000)
"""So many times too small a figure is that lacks a digit, or is in another unit."""


class GcodeAxisConfig(BaseModel):
    """Lengths in the axis's own coordinate; one `um_per_unit` is one unit of the controller's (1000 for millimetres).

    `positive` says what a growing number of the controller means, `zero_at` at which of its numbers (in its units) the
    axis reads 0: a stock machine counts from -max to 0 at its switch, and stands at -1.000 after homing. `identity` is
    a text that the board carries (its build string, or its name) and is asked for at every open.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    letter: str = Field(pattern=f"^[{LETTERS}]$")
    um_per_unit: float = Field(default=1000.0, gt=0, allow_inf_nan=False)
    positive: Literal["deeper", "shallower"] = "deeper"
    zero_at: float = Field(default=0.0, allow_inf_nan=False)
    travel_um: tuple[float, float]
    top_speed_um_s: float = Field(gt=0, allow_inf_nan=False)
    acceleration_um_s2: float = Field(gt=0, allow_inf_nan=False)
    approach: Literal["from_below", "from_above"] = "from_below"
    home_search_um: float = Field(ge=500, allow_inf_nan=False)
    home_speed_um_s: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    resolution_um: float = Field(default=1.0, gt=0, allow_inf_nan=False)
    poll_ms: float = Field(default=15.0, ge=2, le=200)
    identity: str | None = Field(default=None, min_length=1)

    @field_validator("um_per_unit")
    @classmethod
    def _a_unit(cls, value: float) -> float:
        if not 10.0 <= value <= 30_000.0:
            raise ValueError("from 10 to 30000: what one unit of the controller is, 1000 where it counts millimetres")
        return value

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.travel_um[0] < self.travel_um[1]:
            raise ValueError("travel_um: the first value must be below the second")
        return self

    @model_validator(mode="after")
    def _found_from_afar(self) -> Self:
        search, length = self.home_search_um, self.travel_um[1] - self.travel_um[0]
        if search >= length:
            return self
        slip = next((times for times in SLIPS if length <= times * search <= 2 * length), None)
        suggestion = f"; {slip * search:.12g} is meant, a factor of {slip}?" if slip else ""
        raise ValueError(
            f"home_search_um: at least {length:.12g} um, the length of travel_um: from its far end homing would give "
            f"up before it finds the switch, which lies beyond the other end{suggestion}"
        )

    @property
    def um(self) -> float:
        """Signed: what one unit of the controller is worth."""
        return self.um_per_unit * (1 if self.positive == "deeper" else -1)

    def um_of(self, number: float) -> float:
        """The axis's coordinate in um of a number of the controller's."""
        return (number - self.zero_at) * self.um + 0.0

    def number_of(self, at_um: float) -> float:
        """The controller's number of a place in um."""
        return at_um / self.um + self.zero_at

    @property
    def tolerance_um(self) -> float:
        """How near counts as there: the controller rounds to a step, and tells thousandths of its unit."""
        return self.resolution_um + 1.5e-3 * self.um_per_unit

    @property
    def rest_s(self) -> float:
        """How long coming to rest may take from top speed, with as much again for the controller."""
        return 2 * self.top_speed_um_s / self.acceleration_um_s2 + 0.3

    def spec(self) -> AxisSpec:
        """What the axis can do. Nothing is buffered beyond the one segment or move under way."""
        return AxisSpec(
            unit="um",
            low=self.travel_um[0],
            high=self.travel_um[1],
            resolution=self.resolution_um,
            top_speed=self.top_speed_um_s,
            acceleration=self.acceleration_um_s2,
            lookahead_s=0.0,
            approach=self.approach,
        )
