"""An axis on a G-code controller as the bench file describes it: one that goes along, or one that turns."""

from __future__ import annotations

from abc import abstractmethod
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from benchd_drivers.axis_figures import Along, AxisFigures, Turning
from benchd_drivers.gcode_status import LETTERS

TOLD = 1e-3
"""Of the controller's unit: reports give a position with three digits."""
STEP_DEG = 0.05
"""Of a ring on a motor and a gear, where nothing else is stated."""


class GcodeAnyAxisConfig(AxisFigures):
    """What both kinds have. `zero_at` is at which of the controller's numbers (in its units) the axis reads 0: a stock
    machine counts from -max to 0 at its switch, and stands at -1.000 after homing. `identity` is a text that the board
    carries (its build string, or its name) and is asked for at every open. Several axes may be on one link, each with
    a letter of its own.
    """

    letter: str = Field(pattern=f"^[{LETTERS}]$")
    zero_at: float = Field(default=0.0, allow_inf_nan=False)
    identity: str | None = Field(default=None, min_length=1)

    @property
    @abstractmethod
    def per_unit(self) -> float:
        """What one unit of the controller's is worth."""

    @property
    def scale(self) -> float:
        """`per_unit` with the sign of the way on which the controller's numbers grow."""
        return self.per_unit

    def place_of(self, number: float) -> float:
        """The axis's coordinate of a number of the controller's."""
        return (number - self.zero_at) * self.scale + 0.0

    def number_of(self, place: float) -> float:
        """The controller's number of a place."""
        return place / self.scale + self.zero_at

    @property
    def told_in(self) -> float:
        return TOLD * self.per_unit

    @property
    def tolerance(self) -> float:
        """How near counts as there: the controller rounds to a step, and tells thousandths of its unit."""
        return self.resolution + 1.5 * self.told_in


class GcodeAxisConfig(Along, GcodeAnyAxisConfig):
    """Lengths in the axis's own coordinate; one `um_per_unit` is one unit of the controller's (1000 for millimetres).

    `positive` says what a growing number of the controller means.
    """

    um_per_unit: float = Field(default=1000.0, gt=0, allow_inf_nan=False)
    positive: Literal["deeper", "shallower"] = "deeper"
    resolution_um: float = Field(default=1.0, gt=0, allow_inf_nan=False)

    @field_validator("um_per_unit")
    @classmethod
    def _a_unit(cls, value: float) -> float:
        if not 10.0 <= value <= 30_000.0:
            raise ValueError("from 10 to 30000: what one unit of the controller is, 1000 where it counts millimetres")
        return value

    @property
    def per_unit(self) -> float:
        return self.um_per_unit

    @property
    def resolution(self) -> float:
        return self.resolution_um

    @property
    def scale(self) -> float:
        return self.um_per_unit * (1 if self.positive == "deeper" else -1)


class GcodeRotaryConfig(Turning, GcodeAnyAxisConfig):
    """Angles of what is turned, not of the motor; one `deg_per_unit` is one unit of the controller's, 1 where its steps
    a unit are steps a degree. Angles grow as the controller's numbers do; $3 turns the motor about.
    """

    deg_per_unit: float = Field(default=1.0, ge=1e-3, le=1000, allow_inf_nan=False)
    resolution_deg: float | None = Field(default=None, gt=0, allow_inf_nan=False)

    @model_validator(mode="after")
    def _no_finer_than_told(self) -> Self:
        """How near a turn has to end goes by the resolution; the controller tells where it ended in thousandths."""
        if self.resolution < self.told_in * (1 - 1e-9):
            raise ValueError(
                f"resolution_deg: at least {self.told_in:.12g} deg, a thousandth of `deg_per_unit`: the controller "
                f"tells its place no finer than that. Left out, it is that or {STEP_DEG:g} deg, whichever is more"
            )
        return self

    @property
    def per_unit(self) -> float:
        return self.deg_per_unit

    @property
    def resolution(self) -> float:
        return self.resolution_deg or max(STEP_DEG, self.told_in)
