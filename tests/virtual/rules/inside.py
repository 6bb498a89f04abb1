"""No place outside the limits is ever commanded, run-ups included."""

from __future__ import annotations

from tests.virtual.rules.motion import target_mm
from tests.virtual.witness import Watched

ZERO_MM, UM_PER_MM = -1.0, -1000.0
"""Of the bench file: the board counts from -max to 0 at its switch, and stands at -1 mm where the carriage reads 0."""
LOWEST_UM, HIGHEST_UM = 0.0, 30_000.0
SLACK_UM = 400.0
"""Board and scale differ by what the scale corrects, the run-up of an approach and the switch's scatter."""


class Inside(Watched):
    """By the board's own numbers, as its position is what the daemon counts the scale's correction into."""

    def sent(self, port: str, data: bytes) -> None:
        if port != "board":
            return
        to_mm = target_mm(data)
        if to_mm is None:
            return
        to_um = (to_mm - ZERO_MM) * UM_PER_MM
        if not LOWEST_UM - SLACK_UM <= to_um <= HIGHEST_UM + SLACK_UM:
            self.fail(f"{data!r} goes to {to_um:.0f} um")
