"""No place outside limits or clearance is commanded, run-ups included, nor reached by more than the braking way."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from tests.virtual.rules.motion import HOME, begins, target_mm
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

ZERO_MM, UM_PER_MM = -1.0, -1000.0
"""Of the bench file: the board counts from -max to 0 at its switch, and stands at -1 mm where the carriage reads 0."""
LOWEST_UM, HIGHEST_UM = 0.0, 30_000.0
"""`travel_um` of the bench file."""
ROUNDED_UM = 0.05
"""The board is told its target in four decimals of a millimetre."""
RUN_UP_UM = 100.0
"""So far below its target a place is first driven to."""
SCREW_UM = 6.0 + 2 * 2.5 + 2.0 + 2.0
"""Of the world file: between the way that the motor is told and that of the carriage lie backlash, twice the amplitude
of the screw's periodic error, its pitch over the travel and the rest of a ring-down; the tolerance is in it as well."""
BRAKING_UM = 4000.0**2 / (2 * 20_000.0)
"""From the top speed at the acceleration of the bench file."""
HOMING_BEYOND_UM = 2000.0
"""How far below its travel the carriage may go to find its switch."""
BELOW = ("base", "adapter ", "joints", "stand-off", "sag", "wedge ", "thermal base", "thermal adapter ")
"""The terms of the chain that lie between the target at reading 0 and the lens's seat, less their sign."""
TOLD_S = 0.15
"""A set-up that was changed just now, and is driven by already, is told by then."""


class Inside(Watched):
    """By the board's own numbers; and by the scale, which is where the limits and the chain are.

    `motor_um` is the count of steps since homing, `scale_um` what the scale would read without noise; None where a
    fault has it read otherwise. `pieces_um` is how far lens or plates of an id reach towards the target.
    """

    def __init__(
        self,
        motor_um: Callable[[], float],
        scale_um: Callable[[], float | None],
        pieces_um: Mapping[str, float],
        clearance_um: float,
    ) -> None:
        self._motor_um, self._scale_um = motor_um, scale_um
        self._pieces_um, self._clearance_um = pieces_um, clearance_um
        self._least_um: float | None = None
        """The lowest place on the scale that the set-up allows, as it was last told."""
        self._doubtful: tuple[float, float, str] | None = None
        self._looked_um = math.nan
        self._way_um: tuple[float, float] | None = None
        """Between which places on the scale the motion under way goes."""

    def daemon(self, up: bool) -> None:
        self._doubtful = self._way_um = self._least_um = None

    def done(self, step: Step) -> None:
        if step.who == "world":
            self._way_um = None  # it is pushed, or the scale counts otherwise

    def sent(self, port: str, data: bytes) -> None:
        if port != "board" or not begins(data):
            return
        self._way_um = None
        if HOME in data:
            self._clear(LOWEST_UM - HOMING_BEYOND_UM, data)
            return
        to_mm = target_mm(data)
        assert to_mm is not None, data
        motor_um = (to_mm - ZERO_MM) * UM_PER_MM
        if not LOWEST_UM - ROUNDED_UM <= motor_um <= HIGHEST_UM + ROUNDED_UM:
            self.fail(f"{data!r} goes to {motor_um:.1f} um by the motor")
        here_um = self._scale_um()
        if here_um is None:
            return
        to_um = here_um + motor_um - self._motor_um()
        if not LOWEST_UM - RUN_UP_UM - SCREW_UM <= to_um <= HIGHEST_UM + SCREW_UM:
            self.fail(f"{data!r} goes to {to_um:.1f} um on the scale")
        self._clear(to_um + SCREW_UM, data)
        self._way_um = min(here_um, to_um) - SCREW_UM, max(here_um, to_um) + SCREW_UM

    def _clear(self, to_um: float, data: bytes) -> None:
        if self._least_um is not None and to_um < self._least_um:
            text = f"{data!r} goes to {to_um:.1f} um on the scale; {self._least_um:.1f} um is the least by the set-up"
            self._doubtful = (self.now(), to_um, text)

    def told(self, topic: str, document: Any) -> None:
        if topic != "setup" or not document:
            return
        terms = {term["term"]: term["value_um"] for term in document["chain"]}
        if document["lens"] is None or "base" not in terms:
            self._least_um = None
            return
        below_um = sum(um for name, um in terms.items() if um is not None and name.startswith(BELOW))
        reach_um = self._pieces_um[document["lens"]] + sum(self._pieces_um[one] for one in document["glass"])
        self._least_um = reach_um + self._clearance_um + below_um - ROUNDED_UM

    def passed(self) -> None:
        if self._doubtful is not None and self.now() - self._doubtful[0] > TOLD_S:
            _, to_um, text = self._doubtful
            self._doubtful = None
            if self._least_um is not None and to_um < self._least_um:
                self.fail(text)
        if self._way_um is None or self._motor_um() == self._looked_um:
            return
        self._looked_um = self._motor_um()
        if (here_um := self._scale_um()) is not None:
            low_um, high_um = self._way_um
            if not low_um - BRAKING_UM <= here_um <= high_um + BRAKING_UM:
                self._way_um = None
                self.fail(f"the carriage is at {here_um:.1f} um, on a way from {low_um:.1f} to {high_um:.1f} um")


def pieces_of(bench_file: Path) -> tuple[dict[str, float], float]:
    """How far each lens and plate beside a bench file reaches towards the target (um), and the clearance to keep."""
    read = YAML(typ="safe").load
    pieces_um: dict[str, float] = {}
    for path in sorted(bench_file.parent.glob("lenses/*.yaml")):
        record = read(path.read_text(encoding="utf-8"))
        pieces_um[record["lens"]] = 1000.0 * record["rear_protrusion_mm"]
    for path in sorted(bench_file.parent.glob("glasses/*.yaml")):
        record = read(path.read_text(encoding="utf-8"))
        pieces_um[record["glass"]] = 1000.0 * sum(layer["thickness_mm"] for layer in record["layers"])
    return pieces_um, read(bench_file.read_text(encoding="utf-8"))["motion"]["clearance_um"]
