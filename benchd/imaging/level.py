"""Judges whether a picture is exposed well enough to be measured, and the factor to change the exposure by if not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

_SAMPLES = 65_536
WANTED_LEVEL = 0.7  # of full scale: swing enough for the noise, room enough for the noise's tail
_CLIPPED_SHARE = 1e-3
_WHEN_CLIPPED = 0.5  # a clipped level is unknown: halve and look again
_WITHIN = 0.15
_TELLING, _LEAST_RATIO = (0.15, 0.88), 1.3
"""Bright fields (shares of full scale) whose offset or knee hardly shows, and exposures far enough apart to tell."""


def full_scale_of(picture: NDArray[Any]) -> int:
    """The grey value at which a picture of whole numbers clips, as far as the picture shows it.

    Twelve bits are often delivered as sixteen, shifted up: then the lowest bits are zero everywhere, and the highest
    possible value is 65520, not 65535. Values that were not shifted up (0 to 4095) do not show their limit: pass it as
    `full_scale` then. Raises ValueError for values that are not unsigned whole numbers.
    """
    if not np.issubdtype(picture.dtype, np.unsignedinteger):
        raise ValueError("full_scale must be given for values that are not unsigned whole numbers")
    highest = int(np.iinfo(picture.dtype).max)
    used = int(np.bitwise_or.reduce(picture, axis=None))
    return highest - (used & -used) + 1 if used else highest


@dataclass(frozen=True, slots=True)
class Exposure:
    """How a picture is exposed, in grey levels.

    `background` is the bright level, `dark` the dark one, `swing` their difference, `fraction` the background as a
    share of the range from the camera's offset to full scale; `clipped` and `at_zero` count pixels of the whole picture
    at the limits; `factor` is what the exposure must be multiplied by to reach `wanted`; `good`: it need not change.
    """

    background: float
    dark: float
    swing: float
    fraction: float
    clipped: int
    at_zero: int
    full_scale: int
    wanted: float
    factor: float
    good: bool


def judge_exposure(
    picture: NDArray[Any], full_scale: int | None = None, *, offset: float = 0.0, wanted: float = WANTED_LEVEL
) -> Exposure:
    """Judge `picture` (rows x columns, whole numbers) by its bright and dark levels.

    `offset` is the grey value of the camera without light; `wanted` the desired level of the bright field, as a share
    of the range above it; `full_scale` defaults to `full_scale_of`. ValueError if these are inconsistent.
    """
    top = full_scale if full_scale is not None else full_scale_of(picture)
    if not (0.0 < wanted < 1.0 and 0.0 <= offset < top):
        raise ValueError(f"wanted {wanted} of full scale {top} above an offset of {offset} is no level")
    # a coarse comb of pixels carries the levels; only the rails must be counted everywhere
    step = max(1, int((picture.size / _SAMPLES) ** 0.5))
    comb = picture[::step, ::step]
    # the middles of both halves, as a percentile of the whole would sit on the noise's tail
    low, high = np.percentile(comb, (5.0, 90.0))
    bright = comb > 0.5 * (low + high)
    background = float(np.median(comb[bright])) if bright.any() else float(high)
    dark = float(np.median(comb[~bright]))
    clipped = int(np.count_nonzero(picture >= top))
    at_zero = int(np.count_nonzero(picture == 0))
    fraction = (background - offset) / (top - offset)
    factor = wanted / max(fraction, 1e-3)
    burnt = clipped > _CLIPPED_SHARE * picture.size
    if burnt:
        factor = min(factor, _WHEN_CLIPPED)
    return Exposure(
        background=background,
        dark=dark,
        swing=background - dark,
        fraction=fraction,
        clipped=clipped,
        at_zero=at_zero,
        full_scale=top,
        wanted=wanted,
        factor=factor,
        good=not burnt and abs(fraction - wanted) <= _WITHIN,
    )


def answer_slope(seen: Sequence[tuple[float, float]]) -> float | None:
    """How a camera's grey values go with its exposure, from pictures of one scene: the slope of their logarithms.

    It is 1 for a linear camera, 1/2.2 for a video curve, 0 for one that turns its own gain. `seen` are exposures, and
    the bright field above them as a share of full scale; those near either end say nothing. None where they say nothing
    together.
    """
    told = sorted((exposure, share) for exposure, share in seen if _TELLING[0] <= share <= _TELLING[1])
    if not told or told[-1][0] < _LEAST_RATIO * told[0][0]:
        return None
    (low, dark), (high, bright) = told[0], told[-1]
    return math.log(bright / dark) / math.log(high / low)


def tells(share: float, dimmed: float = 1.0) -> bool:
    """Whether a bright field at this share of full scale says anything of the camera's curve, and goes on to when it is
    `dimmed` to a share of that."""
    return _TELLING[0] <= dimmed * share and share <= _TELLING[1]


def answer_to_light(bright: float, dimmed: float, dark: float, share: float, gamma: float = 1.0) -> float | None:
    """As `answer_slope`, from bright fields at a light, at a `share` of it and with it out; what shines besides falls
    out, as does the offset of a camera whose stated curve is linear. `gamma` is the stated curve, value =
    light^(1/gamma): as stated it is 1/gamma. With a curve an offset and a light besides cannot be told apart in the
    dark picture: an offset of 5 % of full scale then takes 8 % off the slope (gamma 2.2, bright field at 70 %).

    None where they say nothing, 0 where what is gone cannot be told from what is left.
    """
    if not (_TELLING[0] <= dimmed and bright <= _TELLING[1] and 0.0 < share < 1.0 / _LEAST_RATIO):
        return None
    full, less, none = (max(value, 0.0) ** gamma for value in (bright, dimmed, dark))
    if not none < less < full:
        return 0.0
    return math.log((less - none) / (full - none)) / math.log(share) / gamma


def whole_periods(exposure_ms: float, pulses_hz: float | None, low_ms: float, high_ms: float) -> float:
    """The exposure nearest `exposure_ms` that takes whole periods of a light's pulses, within the camera's range.

    Otherwise each picture contains a different part of a period, and brightness scatters. The exposure is unchanged
    without pulses (None), and if no whole period fits into the range.
    """
    if pulses_hz is None:
        return exposure_ms
    period_ms = 1000.0 / pulses_hz
    fewest, most = max(1, math.ceil(low_ms / period_ms - 1e-9)), math.floor(high_ms / period_ms + 1e-9)
    return min(max(round(exposure_ms / period_ms), fewest), most) * period_ms if fewest <= most else exposure_ms
