"""Travel, speed and homing of an axis as a bench file states them: of one that goes along, in um, or one that turns, in
degrees. Drivers know both by the same names, in the axis's own unit."""

from __future__ import annotations

from abc import abstractmethod
from typing import ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.devices import AxisSpec

SLIPS = (10, 100, 1000)
"""So many times too small a figure is that lacks a digit, or is in another unit."""


class AxisFigures(BaseModel):
    """What both kinds have."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    UNIT: ClassVar[Literal["um", "deg"]]
    SYMBOL: ClassVar[str]
    DIGITS: ClassVar[int]
    """After the point, of a place that is told."""
    JUMP: ClassVar[float]
    """So far a position may jump between two reports of a homing cycle without being taken for a new zero."""

    approach: Literal["from_below", "from_above"] = "from_below"
    poll_ms: float = Field(default=15.0, ge=2, le=200)

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
    def told_in(self) -> float:
        """The steps in which its place is told."""
        return self.resolution

    @property
    @abstractmethod
    def tolerance(self) -> float:
        """How near counts as there."""

    def said(self, at: float) -> str:
        """A place for a sentence, without its unit."""
        return f"{at:.{self.DIGITS}f}"

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
            resolution=max(self.resolution, self.told_in),
            top_speed=self.top_speed,
            acceleration=self.acceleration,
            lookahead_s=0.0,
            approach=self.approach,
        )


class Along(AxisFigures):
    """Lengths in the axis's own coordinate."""

    UNIT = "um"
    SYMBOL = "µm"
    DIGITS = 1
    JUMP = 500.0

    travel_um: tuple[float, float]
    top_speed_um_s: float = Field(gt=0, allow_inf_nan=False)
    acceleration_um_s2: float = Field(gt=0, allow_inf_nan=False)
    home_search_um: float = Field(ge=500, allow_inf_nan=False)
    home_speed_um_s: float | None = Field(default=None, gt=0, allow_inf_nan=False)

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


class Turning(AxisFigures):
    """Angles of what is turned, not of the motor."""

    UNIT = "deg"
    SYMBOL = "°"
    DIGITS = 2
    JUMP = 10.0

    travel_deg: tuple[float, float]
    top_speed_deg_s: float = Field(gt=0, allow_inf_nan=False)
    acceleration_deg_s2: float = Field(gt=0, allow_inf_nan=False)
    home_search_deg: float = Field(gt=0, allow_inf_nan=False)
    home_speed_deg_s: float | None = Field(default=None, gt=0, allow_inf_nan=False)

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
