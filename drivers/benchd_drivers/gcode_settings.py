"""What a G-code controller says of how it is set (`$$`) and built (`$I`), read once when contact is made.

Numbers and letters are those of the open Grbl 1.1 motion firmware, which others have taken over (settings:
doc/markdown/settings.md; letters of the build: doc/csv/build_option_codes_en_US.csv). A controller need not tell any
of it: what it does not tell is None, and nothing is concluded from it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from benchd_drivers.gcode_status import LETTERS

SETTING = re.compile(r"^\$([0-9]{1,3})=(-?[0-9]{1,12}(?:\.[0-9]*)?)\b")
START_LINE = re.compile(r"^\$N([0-9])=(.{1,80})")
OPTIONS = re.compile(r"^\[OPT:([^,\]]*)")
MM_PER_INCH = 25.4
SLOW_SEARCH = 7
"""Pull-offs that a cycle may take beside its search: back off, find again, back off."""
SETTLED_AXES = 6
"""So many axes have settings by the usual numbers: X, Y and Z in the 1.1 series, A, B and C behind them in those of its
descendants that have them (from memory)."""
SEARCH_TRAVELS = 1.5
"""So many greatest travels ($130 and on) a homing cycle of the 1.1 series searches for its switch, whatever $20 says;
from memory of its source (HOMING_AXIS_SEARCH_SCALAR)."""
HOMED_TOGETHER = {"X": "XY", "Y": "XY"}
"""Letters that a stock build homes in one cycle, where it is asked to home all, and which then searches as far as the
longest of them; from memory."""


@dataclass(slots=True)
class BoardSettings:
    """`values` by number; `options` are the letters of its build, None where it did not tell them; `start_lines` what
    it carries out by itself after each reset and each homing."""

    values: dict[int, float] = field(default_factory=dict)
    options: str | None = None
    start_lines: dict[int, str] = field(default_factory=dict)

    def take(self, text: str) -> None:
        """A line that the controller sent: one of these, or not."""
        if found := SETTING.match(text):
            self.values[int(found[1])] = float(found[2])
        elif found := START_LINE.match(text):
            self.start_lines[int(found[1])] = found[2]
        elif found := OPTIONS.match(text):
            self.options = found[1]

    def of_axis(self, base: int, letter: str) -> float | None:
        """The setting of one axis, `base` its number for X."""
        index = LETTERS.index(letter)
        return self.values.get(base + index) if index < SETTLED_AXES else None

    @property
    def mm_per_unit(self) -> float:
        """What its reports count in: $13 makes it inches. Commands say for themselves what they count in."""
        return MM_PER_INCH if self.values.get(13) else 1.0

    @property
    def pwm(self) -> bool:
        """Whether its output is dimmed, as far as it tells."""
        return self.options is None or "V" in self.options

    def home_of(self, letter: str) -> tuple[float, bool] | None:
        """Where homing leaves an axis (mm), and whether its switch lies towards growing numbers; None: not told."""
        mask, pull_off, travel = self.values.get(23), self.values.get(27), self.of_axis(130, letter)
        if mask is None or pull_off is None or travel is None or self.options is None:
            return None
        to_plus = not int(mask) >> LETTERS.index(letter) & 1
        if "Z" in self.options:  # its build calls the place after the pull-off 0
            return 0.0, to_plus
        return (-pull_off if to_plus else pull_off - travel), to_plus

    @property
    def homes(self) -> bool:
        """Whether its homing cycle is switched on ($22), as far as it tells."""
        return self.values.get(22) != 0

    def search_of(self, letter: str, *, by_letter: bool) -> tuple[float, int] | None:
        """How far its homing cycle searches for the switch of an axis (mm), and the number of the setting that makes
        it so; None: not told. `by_letter`: this axis is asked to home by its letter."""
        numbers = [130 + LETTERS.index(each) for each in (letter if by_letter else HOMED_TOGETHER.get(letter, letter))]
        if LETTERS.index(letter) >= SETTLED_AXES or not all(number in self.values for number in numbers):
            return None
        longest = max(numbers, key=self.values.__getitem__)
        return SEARCH_TRAVELS * self.values[longest], longest

    def homing_s(self, search: float, per_unit: float) -> float | None:
        """How long a homing cycle may take that searches no farther than `search`, in the axis's unit, of which
        `per_unit` is one of the controller's; None: not told."""
        feed, seek, debounce, pull_off = (self.values.get(number) for number in (24, 25, 26, 27))
        if not feed or not seek or debounce is None or pull_off is None:
            return None
        per_s = per_unit / 60
        slow = SLOW_SEARCH * pull_off * per_unit
        return search / (seek * per_s) + slow / (feed * per_s) + 4 * debounce / 1000

    def space_of(self, letter: str) -> tuple[float, float] | None:
        """Where its own soft limits ($20) let an axis go (mm); None: they are off, or not told."""
        travel, home = self.of_axis(130, letter), self.home_of(letter)
        if not self.values.get(20) or travel is None or home is None:
            return None
        at_switch = "Z" in (self.options or "") and not home[1]
        return (0.0, travel) if at_switch else (-travel, 0.0)
