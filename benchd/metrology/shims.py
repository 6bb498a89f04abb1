"""Which shims from stock correct a focus error, given those already fitted.

A positive error, an image too deep, is corrected by shims of that thickness under the lens; a negative one by removing
shims. The smallest residual error comes first, then the fewest changes, then the fewest shims.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, combinations_with_replacement

MOST_SHIMS = 4
"""More sheets than this under one mount are neither flat nor firm: common practice, no source."""

_SAME_UM = 1e-6


@dataclass(frozen=True, slots=True)
class ShimAdvice:
    """What to put in (`fit`) and take out (`remove`), thicknesses in um, thickest first.

    `shim_um` is the change of the total, `residual_um` the error left over (e - shim), `fitted_um` what is under the
    lens now, `after_um` what will be, `gain_um` by how much the error gets less.
    """

    shim_um: float
    fit: tuple[float, ...]
    remove: tuple[float, ...]
    residual_um: float
    fitted_um: tuple[float, ...]
    after_um: tuple[float, ...]

    @property
    def gain_um(self) -> float:
        return abs(self.residual_um + self.shim_um) - abs(self.residual_um)


def advice(
    e_um: float, stock_um: Sequence[float], fitted_um: Sequence[float] = (), *, most: int = MOST_SHIMS
) -> ShimAdvice:
    """The best change for an error `e_um`; any number of each thickness in stock is assumed to be available.

    A stack that is above `most` already may stay as it is or shrink, not grow. Raises ValueError for a thickness
    that is not above zero.
    """
    if any(not thickness > 0.0 for thickness in (*stock_um, *fitted_um)):
        raise ValueError("a shim's thickness must be above zero")
    added = _sums(sorted(set(stock_um)), most)
    best: tuple[tuple[float, int, int, float], tuple[float, ...], tuple[float, ...]] | None = None
    for removed in _subsets(sorted(fitted_um)):
        kept = len(fitted_um) - len(removed)
        for fit in added:
            count = kept + len(fit)
            if fit and count > most:
                continue
            change = sum(fit) - sum(removed)
            # Steps of the tie tolerance, so that equal errors are equal in spite of binary fractions.
            rank = (round(abs(e_um - change) / _SAME_UM), len(fit) + len(removed), count, abs(change))
            if best is None or rank < best[0]:
                best = (rank, fit, removed)
    assert best is not None  # leaving all as it is is always a candidate
    _, fit, removed = best
    after = sorted(fitted_um)
    for thickness in removed:
        after.remove(thickness)
    change = sum(fit) - sum(removed)
    return ShimAdvice(
        shim_um=change,
        fit=_thickest_first(fit),
        remove=_thickest_first(removed),
        residual_um=e_um - change,
        fitted_um=tuple(fitted_um),
        after_um=_thickest_first((*after, *fit)),
    )


def _thickest_first(thicknesses: Sequence[float]) -> tuple[float, ...]:
    return tuple(sorted(thicknesses, reverse=True))


def _sums(stock: Sequence[float], most: int) -> list[tuple[float, ...]]:
    """For each total within reach of `most` sheets, one way to make it, with the fewest sheets."""
    ways: dict[int, tuple[float, ...]] = {}
    for count in range(most + 1):
        for choice in combinations_with_replacement(stock, count):
            ways.setdefault(round(sum(choice) / _SAME_UM), choice)
    return list(ways.values())


def _subsets(fitted: Sequence[float]) -> set[tuple[float, ...]]:
    return {choice for count in range(len(fitted) + 1) for choice in combinations(fitted, count)}
