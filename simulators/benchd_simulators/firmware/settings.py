"""The numbered settings of the motion board: what `$$` prints and `$x=value` changes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

POSITION_IS_MACHINE = 1  # bits of $10
BUFFER_STATE = 2
AXES = "XYZ"  # in the order of the settings and of the masks

_WHOLE = frozenset({0, 1, 2, 3, 4, 5, 6, 10, 13, 20, 21, 22, 23, 26, 30, 31, 32})

_OF_TIME = {
    24: 1,
    25: 1,
    26: -1,
    110: 1,
    120: 2,
}  # how a setting goes with the pace of time: speeds with its first power


def _defaults() -> dict[int, float]:
    values: dict[int, float] = {
        0: 10, 1: 255, 2: 0, 3: 4, 4: 0, 5: 0, 6: 0, 10: 1, 11: 0.010, 12: 0.002, 13: 0,
        20: 1, 21: 1, 22: 1, 23: 0, 24: 15.0, 25: 240.0, 26: 25, 27: 1.0, 30: 1000, 31: 0, 32: 0,
    }  # fmt: skip
    for axis in range(3):
        values |= {100 + axis: 4000.0, 110 + axis: 240.0, 120 + axis: 20.0, 130 + axis: 31.0}
    return values


@dataclass
class Settings:
    """Kept over a soft reset and a power cycle, as in the board's own memory. The figures by axis are those of
    `letter`.

    `values` are in the world's time. What goes over the wire is in the host's, which a world of another `pace` passes
    at that: speeds are told `pace` times as high, accelerations `pace` squared.
    """

    values: dict[int, float] = field(default_factory=_defaults)
    pace: float = 1.0
    letter: str = "Z"
    made: Mapping[int, float] = field(default_factory=dict)
    """What its maker has written otherwise than usual."""

    def __post_init__(self) -> None:
        self.values |= self.made

    def of(self, letter: str) -> Settings:
        """The same settings, the figures those of another axis."""
        axis = Settings(pace=self.pace, letter=letter)
        axis.values = self.values
        return axis

    @property
    def _axis(self) -> int:
        return AXES.index(self.letter)

    def change(self, number: int, value: float) -> bool:
        """False: there is no such setting, or it takes no such value."""
        if number not in self.values or value < 0 or (number in _WHOLE and not value.is_integer()):
            return False
        self.values[number] = value / self._hosts(number)
        return True

    def _hosts(self, number: int) -> float:
        """How many times its value a setting is in the host's time."""
        power = _OF_TIME.get(number // 10 * 10 if number >= 100 else number, 0)
        return self.pace**power

    def restore(self) -> None:
        """All as it came."""
        self.values.update(_defaults() | dict(self.made))

    def lines(self) -> Iterator[str]:
        for number in sorted(self.values):
            value = self.values[number] * self._hosts(number)
            yield f"${number}={int(value)}" if number in _WHOLE else f"${number}={value:.3f}"

    @property
    def reports_machine(self) -> bool:
        return bool(int(self.values[10]) & POSITION_IS_MACHINE)

    @property
    def reports_buffer(self) -> bool:
        return bool(int(self.values[10]) & BUFFER_STATE)

    @property
    def reports_inches(self) -> bool:
        return self.values[13] != 0

    @property
    def plus_is_shallower(self) -> bool:
        """$3: the motor's direction is turned about, so that growing numbers go towards the lens."""
        return bool(int(self.values[3]) >> self._axis & 1)

    @property
    def homes_to_minus(self) -> bool:
        return bool(int(self.values[23]) >> self._axis & 1)

    @property
    def laser(self) -> bool:
        """$32: the output is for a laser, which burns in cutting moves alone."""
        return self.values[32] != 0

    @property
    def soft_limits(self) -> bool:
        return self.values[20] != 0

    @property
    def hard_limits(self) -> bool:
        return self.values[21] != 0

    @property
    def homing(self) -> bool:
        return self.values[22] != 0

    @property
    def locate_um_s(self) -> float:
        return self.values[24] * 1000 / 60

    @property
    def seek_um_s(self) -> float:
        return self.values[25] * 1000 / 60

    @property
    def debounce_s(self) -> float:
        return self.values[26] / 1000

    @property
    def pull_off_um(self) -> float:
        return self.values[27] * 1000

    @property
    def step_um(self) -> float:
        return 1000 / self.values[100 + self._axis]

    @property
    def top_speed_um_s(self) -> float:
        return self.values[110 + self._axis] * 1000 / 60

    @property
    def acceleration_um_s2(self) -> float:
        return max(self.values[120 + self._axis], 0.001) * 1000

    @property
    def travel_um(self) -> float:
        return self.values[130 + self._axis] * 1000

    def within(self, power: float) -> float:
        """The S value that a word really sets: between $31 and $30; 0 is off."""
        low, high = self.values[31], self.values[30]
        if power <= 0:
            return 0.0
        return high if low >= high or power >= high else max(power, low)

    def duty(self, power: float) -> float:
        """PWM duty of an S value: $31 is least, $30 full."""
        low, high = self.values[31], self.values[30]
        return min(1.0, max(0.0, (power - low) / (high - low))) if high > low else float(power > 0)
