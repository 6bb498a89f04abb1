"""An axis on a Modbus drive as the bench file describes it: one that goes along, or one that turns."""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from benchd_drivers.axis_figures import Along, AxisFigures, Turning
from benchd_drivers.modbus_registers import Command, Flag, Setting, Told
from benchd_drivers.modbus_unit import UnitConfig

HOME_SHARE = 4
"""Homing is taken to search at a quarter of the top speed unless stated."""
SEARCHES, HOME_MARGIN_S = 2, 15.0
"""The way and back, and pull-offs, slow second approaches and pauses beside the search itself."""


class ModbusAnyAxisConfig(AxisFigures, UnitConfig):
    """Where the drive tells position and status and takes target, speed and commands, and what its numbers are worth.

    `zero_at` is the count of position and target at which the axis reads 0. `move` sets it off, and is left out where a
    written target does that by itself. `limit` are the flags of the switches at the ends; `clear` resets a fault, and
    is written when the axis is homed. Travel, top speed and acceleration are those set in the drive, or inside them.
    """

    position: Told
    status: Told
    target: Setting
    speed: Setting
    moving: Flag
    homed: Flag
    fault: Flag
    limit: tuple[Flag, ...] = ()
    move: Command | None = None
    stop: Command
    home: Command
    clear: Command | None = None
    zero_at: float = Field(default=0.0, allow_inf_nan=False)
    starts_within_ms: float = Field(default=60.0, ge=10, le=2000)

    @property
    @abstractmethod
    def per_count(self) -> float:
        """What one count of position and target is worth."""

    @property
    @abstractmethod
    def speed_per_count(self) -> float:
        """One count of `speed`, a second."""

    @property
    def scale(self) -> float:
        """`per_count` with the sign of the way on which the drive's counts grow."""
        return self.per_count

    @model_validator(mode="after")
    def _flags(self) -> Self:
        if self.status.type not in ("uint16", "uint32"):
            raise ValueError("status: of type uint16 or uint32; it is a word of flags")
        flags = {"moving": self.moving, "homed": self.homed, "fault": self.fault}
        for name, flag in (*flags.items(), *(("limit", one) for one in self.limit)):
            if flag.bit >= 16 * self.status.count:
                raise ValueError(f"{name}: bit {flag.bit} is not in a {self.status.type}")
        if len({flag.bit for flag in flags.values()}) < len(flags):
            raise ValueError("moving, homed and fault: three bits; one of them stands twice")
        return self

    @model_validator(mode="after")
    def _commands(self) -> Self:
        if self.move is None and self.home.address == self.target.address and self.home.table == "holding":
            raise ValueError("home: written where the target is, it would be taken for one; this drive needs `move`")
        for name, other in (("move", self.move), ("home", self.home), ("clear", self.clear)):
            if other is not None and _same(other, self.stop):
                raise ValueError(f"stop: the same as {name}; a stop that does that is none")
        return self

    @model_validator(mode="after")
    def _goes_in(self) -> Self:
        for end in self.travel:
            count, (least, most) = self.count_of(end), self.target.range
            if not least <= round(count) <= most:
                where = f"{end:g} {self.UNIT} is count {count:.0f}"
                raise ValueError(f"{self.key('travel')}: {where}, which does not go into {self.target.type}")
        count, key = self.top_speed / self.speed_per_count, self.key("top_speed")
        if count > self.speed.range[1]:
            raise ValueError(f"{key}: it is count {count:.0f}, which does not go into {self.speed.type}")
        if self.speed.type != "float32" and count < 1:
            raise ValueError(f"{key}: less than one count of `speed`")
        return self

    @model_validator(mode="after")
    def _no_finer_than_a_count(self) -> Self:
        """What is told of a place, and how near counts as there, go by the resolution; targets go by the count."""
        if self.resolution < self.per_count * (1 - 1e-9):
            raise ValueError(
                f"{self.key('resolution')}: at least {self.per_count:.12g} {self.UNIT}, one count of the drive's: it "
                "goes no finer than that. Left out, it is one count"
            )
        return self

    # ---- numbers

    def place_of(self, count: float) -> float:
        """The axis's coordinate of a count of the drive's."""
        return (count - self.zero_at) * self.scale + 0.0

    def count_of(self, place: float) -> float:
        """The drive's count of a place."""
        return place / self.scale + self.zero_at

    def speed_count(self, speed: float) -> float:
        """The count of `speed` for at most this speed; 0 where the drive goes no slower than faster than that."""
        count = speed / self.speed_per_count
        return count if self.speed.type == "float32" else math.floor(count * (1 + 1e-9))

    @property
    def tolerance(self) -> float:
        """How near counts as there: a target is rounded to a count."""
        return self.resolution + self.per_count

    @property
    def starts_s(self) -> float:
        """A drive may be at rest for so long between a command and its motion."""
        return self.starts_within_ms / 1000

    @property
    def home_s(self) -> float:
        """How long homing may take."""
        return SEARCHES * self.home_search / (self.home_speed or self.top_speed / HOME_SHARE) + HOME_MARGIN_S


class ModbusAxisConfig(Along, ModbusAnyAxisConfig):
    """`um_per_count` is one count of position and target, `positive` what a growing one means; `speed_um_s_per_count`
    is one count of `speed`. The rest is as every Modbus axis has it."""

    um_per_count: float = Field(gt=0, allow_inf_nan=False)
    positive: Literal["deeper", "shallower"] = "deeper"
    speed_um_s_per_count: float = Field(gt=0, allow_inf_nan=False)
    resolution_um: float | None = Field(default=None, gt=0, allow_inf_nan=False)

    @property
    def per_count(self) -> float:
        return self.um_per_count

    @property
    def speed_per_count(self) -> float:
        return self.speed_um_s_per_count

    @property
    def resolution(self) -> float:
        return self.resolution_um or self.um_per_count

    @property
    def scale(self) -> float:
        return self.um_per_count * (1 if self.positive == "deeper" else -1)


class ModbusRotaryConfig(Turning, ModbusAnyAxisConfig):
    """`deg_per_count` is one count of position and target, of what is turned and not of the motor: a gear between them
    is in it, and a negative one where angles shrink as counts grow. `speed_deg_s_per_count` is one count of `speed`."""

    deg_per_count: float = Field(allow_inf_nan=False)
    speed_deg_s_per_count: float = Field(gt=0, allow_inf_nan=False)
    resolution_deg: float | None = Field(default=None, gt=0, allow_inf_nan=False)

    @field_validator("deg_per_count")
    @classmethod
    def _turns(cls, value: float) -> float:
        if value == 0:
            raise ValueError("deg_per_count must not be 0")
        return value

    @property
    def per_count(self) -> float:
        return abs(self.deg_per_count)

    @property
    def speed_per_count(self) -> float:
        return self.speed_deg_s_per_count

    @property
    def resolution(self) -> float:
        return self.resolution_deg or self.per_count

    @property
    def scale(self) -> float:
        return self.deg_per_count


def _same(one: Command, other: Command) -> bool:
    return (one.table, one.address, one.value) == (other.table, other.address, other.value)
