"""Whether a sweep is worth taking by its light."""

from __future__ import annotations

import math

from benchd.errors import Refused
from benchd.metrology.peak_light import TOO_LITTLE_LIGHT


def enough_light(predicted: float, noise: float, inside: float, half_width_um: float) -> None:
    """Refuse a sweep with too little light, by the uncertainty that its coarse scan predicts, never by a fit's result.

    `predicted` is the 95 % half-width of best focus (um), `noise` the relative standard deviation of one reading at
    the peak, `inside` how many fall within +-1.05 of the geometric half-width `half_width_um`. Raises Refused
    ('not_found').
    """
    if predicted > TOO_LITTLE_LIGHT * half_width_um:
        known = "not at all" if math.isinf(predicted) else f"to {predicted:.1f} µm only"
        raise Refused(
            "not_found",
            f"Too little light: best focus would be known {known}, with {inside:.0f} readings.",
            advice="More light, longer exposures, or more repeats.",
            data={"predicted_U_um": None if math.isinf(predicted) else predicted, "noise": noise, "inside": inside},
        )
