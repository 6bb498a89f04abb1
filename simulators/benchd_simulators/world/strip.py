"""A strip of dark bars of known pitch on the wall: always in focus, as the camera looks at the wall it is on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import cos, radians, sin
from typing import Any

import numpy as np

from benchd_simulators.world.drawing import Draws, Shape, unit_draw
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.marks import DISTORTION, LEFT_OF_LIGHT, PUPIL_F, Floats

RULE_MM = 0.1
RULE_SHAPE: Shape = "rectangular"
"""Standard uncertainty of the way over the whole strip by a steel rule, and its distribution."""

LENGTH_MM = 160.0
BAR_LENGTH_MM = 12.0
PRINTED_MM = 0.02
"""By how much each bar stands off its even place, as a standard deviation."""

BESIDE_MM = 109.0
TURN_DEG, OFF_MM = 1.5, 2.0
"""How far from the middle of the picture its middle is, to the left; from upright, and from there, up to these."""

Bar = tuple[float, float, float, float, float]
"""Centre (px, from the picture's own), half its width and half its length (px), turn of its width from x (degrees)."""


@dataclass(frozen=True, slots=True)
class Strip:
    """`pitch_mm` is the true pitch of its bars, `off_mm` how far each stands off its place; `share` of a pitch is dark,
    and gives back `left` of the light. It runs upright; `middle_mm` is where its middle is, from that of the picture.

    `distortion` is what the camera's lens adds to the pitch, as a share; `pupil_f` see PUPIL_F."""

    pitch_mm: float
    off_mm: tuple[float, ...]
    turn_deg: float
    middle_mm: tuple[float, float]
    share: float = 0.5
    left: float = LEFT_OF_LIGHT
    distortion: float = 0.0
    pupil_f: float = PUPIL_F[0]

    def in_picture(self, px_per_mm: float) -> tuple[Bar, ...]:
        """Its bars as the camera sees them."""
        turn_deg, grown = 90.0 + self.turn_deg, px_per_mm * (1.0 + self.distortion)
        x, y = (px_per_mm * way for way in self.middle_mm)
        half = 0.5 * self.share * self.pitch_mm * px_per_mm, 0.5 * BAR_LENGTH_MM * px_per_mm
        bars = []
        for number, off in enumerate(self.off_mm):
            way = grown * ((number - 0.5 * (len(self.off_mm) - 1)) * self.pitch_mm + off)
            bars.append((x + way * cos(radians(turn_deg)), y + way * sin(radians(turn_deg)), *half, turn_deg))
        return tuple(bars)


def hung(draws: Draws, number: int, value: object) -> Strip | None:
    """A strip that a hand puts up, its pitch `value` mm by a rule over its whole length, or with its number of bars and
    how much light they leave (`{"pitch_mm": .., "bars": .., "left": ..}`); None takes it off."""
    if value is None:
        return None
    told: Mapping[str, Any] = value if isinstance(value, Mapping) else {"pitch_mm": value}
    pitch, left = told.get("pitch_mm"), told.get("left", LEFT_OF_LIGHT)
    if isinstance(pitch, bool) or not isinstance(pitch, int | float) or not 1 <= pitch <= 100:
        raise HandRefused(f"A strip has a pitch of 1 to 100 mm, or is taken off (null), not {value!r}.")
    bars = told.get("bars", 1 + int(LENGTH_MM / pitch))
    if not isinstance(bars, int) or not 1 <= bars <= 500 or not isinstance(left, int | float) or not 0 <= left < 1:
        raise HandRefused(f"A strip has 1 to 500 bars that leave 0 to 1 of the light, not {value!r}.")
    rng = draws.rng(f"room.strip/{number}")
    true = float(pitch) + RULE_MM / max(1, bars - 1) * unit_draw(rng, RULE_SHAPE)
    x, y = rng.uniform(-OFF_MM, OFF_MM, 2)
    turn = float(rng.uniform(-TURN_DEG, TURN_DEG))
    off = PRINTED_MM * rng.standard_normal(bars)
    distortion = DISTORTION * unit_draw(draws.rng("camera.distortion"), "normal")
    pupil_f = float(draws.rng("lens.pupil").uniform(*PUPIL_F))
    middle = float(x) - BESIDE_MM, float(y)
    return Strip(true, tuple(off.tolist()), turn, middle, 0.5, float(left), distortion, pupil_f)


def passing_bars(bars: Sequence[Bar], left: float, width: int, height: int) -> Floats:
    """What of the light each pixel keeps, height x width.

    A bar's rim lies in a pixel by the part that a pixel turned with the bar would have dark: exact for one that is
    level or upright, and of the right area for any."""
    light = np.ones((height, width))
    for centre_x, centre_y, half_width, half_length, turn_deg in bars:
        x0, y0, reach = centre_x + (width - 1) / 2, centre_y + (height - 1) / 2, half_width + half_length + 2
        first, last = max(0, int(x0 - reach)), min(width, int(x0 + reach + 1))
        top, bottom = max(0, int(y0 - reach)), min(height, int(y0 + reach + 1))
        if first >= last or top >= bottom:
            continue
        x, y = np.arange(first, last)[None, :] - x0, np.arange(top, bottom)[:, None] - y0
        c, s = cos(radians(turn_deg)), sin(radians(turn_deg))
        dark = np.clip(half_width + 0.5 - np.abs(x * c + y * s), 0.0, 1.0)
        dark *= np.clip(half_length + 0.5 - np.abs(y * c - x * s), 0.0, 1.0)
        light[top:bottom, first:last] *= 1.0 - (1.0 - left) * dark
    return light
