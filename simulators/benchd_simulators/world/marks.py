"""Two dark round marks on the wall, a known way apart: always in focus, as the camera looks at the wall they are on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, radians, sin

import numpy as np
from numpy.typing import NDArray

from benchd_simulators.world.drawing import Draws, Shape, unit_draw
from benchd_simulators.world.errors import HandRefused

Floats = NDArray[np.float64]
RULE_MM = 0.1
RULE_SHAPE: Shape = "rectangular"
"""Standard uncertainty of a way measured by a steel rule, and its distribution."""

DIAMETER_MM = 6.0
LEFT_OF_LIGHT = 0.06
"""What of the light a mark's black gives back."""

TURN_DEG, OFF_MM = 1.5, 4.0
"""How far from level, and from the middle of the picture, a person sticks them; each drawn up to this."""

DISTORTION = 0.0002
"""By what share the camera's lens draws the way between them too long or too short, against the square in its middle:
that of a lens which somebody has looked into, as a standard uncertainty, drawn for each pair of marks."""

PUPIL_F = (0.9, 2.0)
"""How many focal lengths before the target the lens's pupil stands, drawn between."""

SAMPLES = 4


@dataclass(frozen=True, slots=True)
class Marks:
    """`apart_mm` is the true way from centre to centre, `middle_mm` where its middle is, from that of the picture.

    `distortion` is what the camera's lens adds to the way, as a share; `pupil_f` see PUPIL_F."""

    apart_mm: float
    turn_deg: float
    middle_mm: tuple[float, float]
    distortion: float = 0.0
    pupil_f: float = PUPIL_F[0]

    def in_picture(self, px_per_mm: float) -> tuple[tuple[float, float, float], ...]:
        """Centre (px, from the picture's own) and radius of each."""
        half, t = 0.5 * self.apart_mm * (1.0 + self.distortion), radians(self.turn_deg)
        x, y = self.middle_mm
        radius = 0.5 * DIAMETER_MM * px_per_mm
        return tuple(
            ((x + side * half * cos(t)) * px_per_mm, (y + side * half * sin(t)) * px_per_mm, radius)
            for side in (-1.0, 1.0)
        )


def stuck(draws: Draws, number: int, value: object) -> Marks | None:
    """Marks that a hand sticks on the wall, `value` mm apart by a rule; None takes them off."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 20 <= value <= 5000:
        raise HandRefused(f"Marks can be stuck 20 to 5000 mm apart, or taken off (null), not {value!r}.")
    rng = draws.rng(f"room.marks/{number}")
    apart = float(value) + RULE_MM * unit_draw(rng, RULE_SHAPE)
    x, y = rng.uniform(-OFF_MM, OFF_MM, 2)
    turn = float(rng.uniform(-TURN_DEG, TURN_DEG))
    distortion = DISTORTION * unit_draw(draws.rng("camera.distortion"), "normal")
    return Marks(apart, turn, (float(x), float(y)), distortion, float(draws.rng("lens.pupil").uniform(*PUPIL_F)))


def passing(marks: Sequence[tuple[float, float, float]], width: int, height: int) -> Floats:
    """What of the light each pixel keeps, height x width; a pixel on a rim is averaged over its parts."""
    light = np.ones((height, width))
    parts = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    for centre_x, centre_y, radius in marks:
        x0, y0 = centre_x + (width - 1) / 2, centre_y + (height - 1) / 2
        first, last = max(0, int(x0 - radius - 2)), min(width, int(x0 + radius + 3))
        top, bottom = max(0, int(y0 - radius - 2)), min(height, int(y0 + radius + 3))
        if first >= last or top >= bottom:
            continue
        x = np.arange(first, last)[None, :, None, None] + parts[None, None, :, None] - x0
        y = np.arange(top, bottom)[:, None, None, None] + parts[None, None, None, :] - y0
        dark = np.mean(x * x + y * y <= radius * radius, axis=(2, 3))
        light[top:bottom, first:last] *= 1.0 - (1.0 - LEFT_OF_LIGHT) * dark
    return light
