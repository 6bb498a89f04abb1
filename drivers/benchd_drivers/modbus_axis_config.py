"""An axis on a Modbus drive as the bench file describes it."""

from __future__ import annotations

import math
from typing import Literal, Self

from pydantic import Field, model_validator

from benchd.devices import AxisSpec
from benchd_drivers.modbus_registers import Command, Flag, Setting, Told
from benchd_drivers.modbus_unit import UnitConfig

HOME_SHARE = 4
"""Homing is taken to search at a quarter of the top speed unless stated."""
SEARCHES, HOME_MARGIN_S = 2, 15.0
"""The way and back, and pull-offs, slow second approaches and pauses beside the search itself."""


class ModbusAxisConfig(UnitConfig):
    """Where the drive tells position and status and takes target, speed and commands, and what its numbers are worth.

    `um_per_count` is one count of position and target, `positive` what a growing one means, `zero_at` the count at
    which the axis reads 0; `speed_um_s_per_count` is one count of `speed`. `move` sets it off, and is left out where a
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
    um_per_count: float = Field(gt=0, allow_inf_nan=False)
    positive: Literal["deeper", "shallower"] = "deeper"
    zero_at: float = Field(default=0.0, allow_inf_nan=False)
    speed_um_s_per_count: float = Field(gt=0, allow_inf_nan=False)
    travel_um: tuple[float, float]
    top_speed_um_s: float = Field(gt=0, allow_inf_nan=False)
    acceleration_um_s2: float = Field(gt=0, allow_inf_nan=False)
    approach: Literal["from_below", "from_above"] = "from_below"
    home_search_um: float = Field(ge=500, allow_inf_nan=False)
    home_speed_um_s: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    resolution_um: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    poll_ms: float = Field(default=15.0, ge=2, le=200)
    starts_within_ms: float = Field(default=60.0, ge=10, le=2000)

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
    def _travel(self) -> Self:
        low, high = self.travel_um
        if not low < high:
            raise ValueError("travel_um: the first value must be below the second")
        if self.home_search_um < high - low:
            raise ValueError(
                f"home_search_um: at least {high - low:.12g} um, the length of travel_um: from its far end homing "
                "would give up before it finds the switch, which lies beyond the other end"
            )
        return self

    @model_validator(mode="after")
    def _goes_in(self) -> Self:
        for end in self.travel_um:
            count, (least, most) = self.count_of(end), self.target.range
            if not least <= round(count) <= most:
                raise ValueError(
                    f"travel_um: {end:g} um is count {count:.0f}, which does not go into {self.target.type}"
                )
        count = self.top_speed_um_s / self.speed_um_s_per_count
        if count > self.speed.range[1]:
            raise ValueError(f"top_speed_um_s: it is count {count:.0f}, which does not go into {self.speed.type}")
        if self.speed.type != "float32" and count < 1:
            raise ValueError("top_speed_um_s: less than one count of `speed`")
        return self

    # ---- numbers

    @property
    def _um(self) -> float:
        return self.um_per_count * (1 if self.positive == "deeper" else -1)

    def um_of(self, count: float) -> float:
        """The axis's coordinate (um) of a count of the drive's."""
        return (count - self.zero_at) * self._um + 0.0

    def count_of(self, at_um: float) -> float:
        """The drive's count of a place (um)."""
        return at_um / self._um + self.zero_at

    def speed_count(self, speed_um_s: float) -> float:
        """The count of `speed` for at most this speed; 0 where the drive goes no slower than faster than that."""
        count = speed_um_s / self.speed_um_s_per_count
        return count if self.speed.type == "float32" else math.floor(count * (1 + 1e-9))

    @property
    def tolerance_um(self) -> float:
        """How near counts as there: a target is rounded to a count."""
        return self.spec().resolution + self.um_per_count

    @property
    def rest_s(self) -> float:
        """How long coming to rest may take from top speed, with as much again for the drive."""
        return 2 * self.top_speed_um_s / self.acceleration_um_s2 + 0.3

    @property
    def starts_s(self) -> float:
        """A drive may be at rest for so long between a command and its motion."""
        return self.starts_within_ms / 1000

    @property
    def home_s(self) -> float:
        """How long homing may take."""
        speed = self.home_speed_um_s or self.top_speed_um_s / HOME_SHARE
        return SEARCHES * self.home_search_um / speed + HOME_MARGIN_S

    def spec(self) -> AxisSpec:
        """What the axis can do. Nothing waits in the drive beyond the one target."""
        return AxisSpec(
            unit="um",
            low=self.travel_um[0],
            high=self.travel_um[1],
            resolution=self.resolution_um or self.um_per_count,
            top_speed=self.top_speed_um_s,
            acceleration=self.acceleration_um_s2,
            lookahead_s=0.0,
            approach=self.approach,
        )


def _same(one: Command, other: Command) -> bool:
    return (one.table, one.address, one.value) == (other.table, other.address, other.value)
