"""Root of a bracketed function, for the few inversions without a closed form."""

from __future__ import annotations

from collections.abc import Callable


def bracketed_root(function: Callable[[float], float], low: float, high: float, relative: float = 1e-9) -> float:
    """Where a monotone function crosses zero between `low` and `high` (Illinois variant of false position).

    Raises ValueError when both ends have the same sign.
    """
    at_low, at_high = function(low), function(high)
    if at_low == 0.0:
        return low
    if at_high == 0.0:
        return high
    if (at_low > 0.0) == (at_high > 0.0):
        raise ValueError(f"no sign change between {low} and {high}")
    side = 0
    for count in range(200):
        # Every fourth step halves, so that a flat stretch cannot stall the secant.
        middle = 0.5 * (low + high) if count % 4 == 3 else (low * at_high - high * at_low) / (at_high - at_low)
        if abs(high - low) <= relative * max(abs(low), abs(high)):
            return middle
        value = function(middle)
        if value == 0.0:
            return middle
        if (value > 0.0) == (at_high > 0.0):
            high, at_high = middle, value
            if side == 1:
                at_low *= 0.5
            side = 1
        else:
            low, at_low = middle, value
            if side == -1:
                at_high *= 0.5
            side = -1
    return 0.5 * (low + high)
