"""Light that is not the same all over the picture: the camera lens's fall-off, and what the lamp makes of the wall."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import radians, tan

import numpy as np
from numpy.typing import NDArray

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import UnevenRecord

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Uneven:
    """One draw. Places in px from the picture's middle; what is lost and gained in shares of the light there."""

    field_deg: float
    vignetting: float
    axis_px: tuple[float, float]
    gradient: tuple[float, float]
    spot: float
    spot_at: tuple[float, float]
    spot_px: float

    @classmethod
    def drawn(cls, record: UnevenRecord, draws: Draws, *, width: int, height: int) -> Uneven:
        """Sizes up to the record's, directions and places anywhere."""
        rng = draws.rng("uneven")
        x, y = rng.uniform(-1.0, 1.0, 2)
        off_x, off_y = rng.uniform(-1.0, 1.0, 2) * record.off_centre_px
        slope_x, slope_y = rng.uniform(-1.0, 1.0, 2) * record.gradient
        return cls(
            field_deg=record.field_deg,
            vignetting=record.vignetting * float(rng.uniform()),
            axis_px=(float(off_x), float(off_y)),
            gradient=(float(slope_x), float(slope_y)),
            spot=record.lamp_image * float(rng.uniform()),
            spot_at=(0.5 * width * float(x), 0.5 * height * float(y)),
            spot_px=record.lamp_image_px * float(rng.uniform(0.7, 1.3)),
        )

    def over(self, width: int, height: int) -> Floats:
        """Relative light in each pixel, height x width; 1 near the middle."""
        return _over(self, width, height)


@lru_cache(maxsize=4)
def _over(uneven: Uneven, width: int, height: int) -> Floats:
    x = np.arange(width)[None, :] - 0.5 * (width - 1)
    y = np.arange(height)[:, None] - 0.5 * (height - 1)
    corner2 = 0.25 * (width * width + height * height)
    r2 = ((x - uneven.axis_px[0]) ** 2 + (y - uneven.axis_px[1]) ** 2) / corner2
    fall_off = (1.0 + r2 * tan(radians(uneven.field_deg)) ** 2) ** -2.0  # cos^4 of the angle to the axis
    cut = 1.0 - uneven.vignetting * r2 * r2
    slope = 1.0 + (uneven.gradient[0] * x + uneven.gradient[1] * y) / width
    spot2 = (x - uneven.spot_at[0]) ** 2 + (y - uneven.spot_at[1]) ** 2
    image = 1.0 + uneven.spot * np.exp(-0.5 * spot2 / uneven.spot_px**2)
    light: Floats = np.maximum(fall_off * cut * slope * image, 0.0)
    light.flags.writeable = False  # it is handed out again and again
    return light
