"""Rounding for print: the uncertainty to two significant digits, the value to the same place (JCGM 100, 7.2.6)."""

from __future__ import annotations

import math
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, Decimal


def rounded(value: float, uncertainty: float, digits: int = 2) -> tuple[str, str]:
    """The pair as text: `rounded(17.6432, 7.512)` is `("17.6", "7.5")`.

    An uncertainty of zero leaves the value as it is. Raises ValueError for a negative or non-finite input.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty >= 0.0 and digits >= 1):
        raise ValueError(f"cannot round {value} +- {uncertainty} to {digits} digits")
    if uncertainty == 0.0:
        return f"{value:g}", "0"
    exact = Decimal(repr(uncertainty))
    place = exact.adjusted() - digits + 1
    # Rounding up may gain a digit (9.97 to 10.0): then one place less is kept.
    if _to_place(exact, place).adjusted() > exact.adjusted():
        place += 1
    return _text(_to_place(Decimal(repr(value)), place)), _text(_to_place(exact, place))


def truncated_dof(value: float) -> str:
    """Degrees of freedom, never rounded up (JCGM 100, G.4.2): whole from ten on, else to a tenth, and below one to one
    significant digit, as a line's share of a u may have very few, but never none."""
    exact = Decimal(repr(value))
    place = 0 if value >= 10.0 else -1 if value >= 1.0 else exact.adjusted()
    text = f"{exact.quantize(Decimal(1).scaleb(place), ROUND_DOWN):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def at_most(needed: float, digits: int = 2) -> str:
    """An uncertainty that is to be reached, as text and never rounded up, so that what is printed is enough:
    `at_most(2.468)` is `"2.4"`.

    Raises ValueError for a negative or non-finite input.
    """
    if not (math.isfinite(needed) and needed >= 0.0 and digits >= 1):
        raise ValueError(f"cannot round {needed} down to {digits} digits")
    if needed == 0.0:
        return "0"
    exact = Decimal(repr(needed))
    return _text(exact.quantize(Decimal((0, (1,), exact.adjusted() - digits + 1)), rounding=ROUND_DOWN))


def _to_place(number: Decimal, place: int) -> Decimal:
    return number.quantize(Decimal((0, (1,), place)), rounding=ROUND_HALF_EVEN)


def _text(number: Decimal) -> str:
    return f"{number if number else abs(number):f}"
