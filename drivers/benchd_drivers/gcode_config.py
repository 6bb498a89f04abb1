"""An axis on a G-code controller as the bench file describes it: one that goes along, in um, or one that turns, in
degrees. The drivers know both by the same names, in the axis's own unit."""

from __future__ import annotations

from abc import abstractmethod
from typing import ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from benchd.devices import AxisSpec
from benchd_drivers.gcode_status import LETTERS

SLIPS = (10, 100, 1000)
"""So many times too small a figure is that lacks a digit, or is in another unit."""


class GcodeAnyAxisConfig(BaseModel):
    """What both kinds have. `zero_at` is at which of the controller's numbers (in its units) the axis reads 0: a stock
    machine counts from -max to 0 at its switch, and stands at -1.000 after homing. `identity` is a text that the board
    carries (its build string, or its name) and is asked for at every open. Several axes may be on one link, each with
    a letter of its own.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    UNIT: ClassVar[Literal["um", "deg"]]
    SYMBOL: ClassVar[str]
    JUMP: ClassVar[float]
    """So far a position may jump between two reports of a homing cycle without being taken for a new zero."""

    letter: str = Field(pattern=f"^[{LETTERS}]$")
    zero_at: float = Field(default=0.0, allow_inf_nan=False)
    approach: Literal["from_below", "from_above"] = "from_below"
    poll_ms: float = Field(default=15.0, ge=2, le=200)
    identity: str | None = Field(default=None, min_length=1)

    @property
    @abstractmethod
    def per_unit(self) -> float:
        """What one unit of the controller's is worth."""

    @property
    @abstractmethod
    def travel(self) -> tuple[float, float]:
        """Lowest and highest place."""

    @property
    @abstractmethod
    def top_speed(self) -> float:
        """A second."""

    @property
    @abstractmethod
    def acceleration(self) -> float:
        """A second and second."""

    @property
    @abstractmethod
    def home_search(self) -> float:
        """How far homing may go."""

    @property
    @abstractmethod
    def home_speed(self) -> float | None:
        """At which it searches; None: not stated."""

    @property
    @abstractmethod
    def resolution(self) -> float:
        """One step."""

    @property
    def scale(self) -> float:
        """`per_unit` with the sign of the way on which the controller's numbers grow."""
        return self.per_unit

    def key(self, figure: str) -> str:
        """A figure's key in the bench file."""
        end = {"top_speed": "_s", "home_speed": "_s", "acceleration": "_s2"}.get(figure, "")
        return f"{figure}_{self.UNIT}{end}"

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.travel[0] < self.travel[1]:
            raise ValueError(f"{self.key('travel')}: the first value must be below the second")
        return self

    @model_validator(mode="after")
    def _found_from_afar(self) -> Self:
        search, length = self.home_search, self.travel[1] - self.travel[0]
        if search >= length:
            return self
        slip = next((times for times in SLIPS if length <= times * search <= 2 * length), None)
        suggestion = f"; {slip * search:.12g} is meant, a factor of {slip}?" if slip else ""
        raise ValueError(
            f"{self.key('home_search')}: at least {length:.12g} {self.UNIT}, the length of {self.key('travel')}: from "
            f"its far end homing would give up before it finds the switch, which lies beyond the other end{suggestion}"
        )

    def place_of(self, number: float) -> float:
        """The axis's coordinate of a number of the controller's."""
        return (number - self.zero_at) * self.scale + 0.0

    def number_of(self, place: float) -> float:
        """The controller's number of a place."""
        return place / self.scale + self.zero_at

    @property
    def tolerance(self) -> float:
        """How near counts as there: the controller rounds to a step, and tells thousandths of its unit."""
        return self.resolution + 1.5e-3 * self.per_unit

    @property
    def rest_s(self) -> float:
        """How long coming to rest may take from top speed, with as much again for the controller."""
        return 2 * self.top_speed / self.acceleration + 0.3

    def spec(self) -> AxisSpec:
        """What the axis can do. Nothing is buffered beyond the one segment or move under way."""
        return AxisSpec(
            unit=self.UNIT,
            low=self.travel[0],
            high=self.travel[1],
            resolution=self.resolution,
            top_speed=self.top_speed,
            acceleration=self.acceleration,
            lookahead_s=0.0,
            approach=self.approach,
        )


class GcodeAxisConfig(GcodeAnyAxisConfig):
    """Lengths in the axis's own coordinate; one `um_per_unit` is one unit of the controller's (1000 for millimetres).

    `positive` says what a growing number of the controller means.
    """

    UNIT = "um"
    SYMBOL = "µm"
    JUMP = 500.0

    um_per_unit: float = Field(default=1000.0, gt=0, allow_inf_nan=False)
    positive: Literal["deeper", "shallower"] = "deeper"
    travel_um: tuple[float, float]
    top_speed_um_s: float = Field(gt=0, allow_inf_nan=False)
    acceleration_um_s2: float = Field(gt=0, allow_inf_nan=False)
    home_search_um: float = Field(ge=500, allow_inf_nan=False)
    home_speed_um_s: float | None = Field(default=None, gt=0, allow_inf_nan=False)
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
    def travel(self) -> tuple[float, float]:
        return self.travel_um

    @property
    def top_speed(self) -> float:
        return self.top_speed_um_s

    @property
    def acceleration(self) -> float:
        return self.acceleration_um_s2

    @property
    def home_search(self) -> float:
        return self.home_search_um

    @property
    def home_speed(self) -> float | None:
        return self.home_speed_um_s

    @property
    def resolution(self) -> float:
        return self.resolution_um

    @property
    def scale(self) -> float:
        return self.um_per_unit * (1 if self.positive == "deeper" else -1)


class GcodeRotaryConfig(GcodeAnyAxisConfig):
    """Angles of what is turned, not of the motor; one `deg_per_unit` is one unit of the controller's, 1 where its steps
    a unit are steps a degree. Angles grow as the controller's numbers do; $3 turns the motor about.
    """

    UNIT = "deg"
    SYMBOL = "°"
    JUMP = 10.0

    deg_per_unit: float = Field(default=1.0, ge=1e-3, le=1000, allow_inf_nan=False)
    travel_deg: tuple[float, float]
    top_speed_deg_s: float = Field(gt=0, allow_inf_nan=False)
    acceleration_deg_s2: float = Field(gt=0, allow_inf_nan=False)
    home_search_deg: float = Field(gt=0, allow_inf_nan=False)
    home_speed_deg_s: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    resolution_deg: float = Field(default=0.05, gt=0, allow_inf_nan=False)

    @property
    def per_unit(self) -> float:
        return self.deg_per_unit

    @property
    def travel(self) -> tuple[float, float]:
        return self.travel_deg

    @property
    def top_speed(self) -> float:
        return self.top_speed_deg_s

    @property
    def acceleration(self) -> float:
        return self.acceleration_deg_s2

    @property
    def home_search(self) -> float:
        return self.home_search_deg

    @property
    def home_speed(self) -> float | None:
        return self.home_speed_deg_s

    @property
    def resolution(self) -> float:
        return self.resolution_deg
