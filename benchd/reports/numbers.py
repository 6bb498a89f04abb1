"""Formatting of numbers: true minus, as many digits as the uncertainty justifies, printed units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.metrology.decision import outcome
from benchd.metrology.rounding import rounded, truncated_dof
from benchd.quantities import printed_unit

Doc = Mapping[str, Any]

MINUS = "\u2212"
MANY = 10000
"""Above this, degrees of freedom are printed as infinite: the difference would not show."""


def unit(name: str) -> str:
    """A unit as printed."""
    return "" if name == "1" else printed_unit(name)


def number(value: float, decimals: int = 1, *, sign: bool = False) -> str:
    """A number with so many decimals and a true minus; zero never has a minus."""
    text = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def short(value: float, *, sign: bool = False) -> str:
    """A number with no more digits than needed, up to four decimals."""
    near = round(value, 4) or 0.0  # zero never has a minus
    return (f"{near:+g}" if sign and near else f"{near:g}").replace("-", MINUS)


def significant(u: float) -> str:
    """An uncertainty to two significant digits, as the guides ask for."""
    return rounded(0.0, u)[1] if u > 0.0 else "0"


def dof(value: float | None) -> str:
    """Degrees of freedom; None is infinite. Truncated, never rounded up (JCGM 100, G.4.2)."""
    if value is None:
        return "\u221e"
    if value >= MANY:
        return f"> {MANY - 1}"
    return truncated_dof(value)


def reading(value: float, unit_name: str, u: float | None = None) -> str:
    """A reading with its unit: digits by its u, else lengths to 0.01 um and other quantities to four decimals."""
    if u:
        return with_u(value, u, unit(unit_name))
    return f"{number(value, 2 if unit_name == 'um' else 4)} {unit(unit_name)}".rstrip()


def with_interval(value: Doc, *, sign: bool = True) -> str:
    """Value and expanded uncertainty, `+17.6 \u00b1 7.5`, to the same place; where there is none, value and u."""
    if value["value"] is None:
        return "not stated"
    if not value.get("U"):
        return with_u(value["value"], value.get("u"), unit(value["unit"]), sign=sign)
    near, half = rounded(value["value"], value["U"])
    return f"{_signed(near, sign)} \u00b1 {half} {unit(value['unit'])}".strip()


def with_u(value: float, u: float | None, unit_name: str = "", *, sign: bool = False) -> str:
    """Value and standard uncertainty to the same place, `49.60 mm (u = 0.20)`: \u00b1 is kept for intervals.

    `unit_name` as printed. Without an uncertainty one place is given.
    """
    if not u:
        return f"{number(value, 1, sign=sign)} {unit_name}".strip()
    near, spread = rounded(value, u)
    return f"{_signed(near, sign)} {unit_name}".strip() + f" (u = {spread})"


def _signed(near: str, sign: bool) -> str:
    return near.replace("-", MINUS) if near.startswith("-") or not sign or float(near) == 0.0 else f"+{near}"


def how_sure(value: Doc) -> str:
    """The basis of the interval in words: coverage, k, degrees of freedom, standard uncertainty."""
    if value.get("U") is None or value.get("k") is None:
        return ""
    freedom = "" if value["dof"] is None else f", {dof(value['dof'])} degrees of freedom"
    return f"95 %: k = {value['k']:.2f}{freedom}, u = {significant(value['u'])} {unit(value['unit'])}"


def percent(p: float) -> str:
    """A probability as text, never rounded to certainty, nor across the thresholds of the decision rule."""
    if p < 0.001:
        return "below 0.1 %"
    if p > 0.999:
        return "above 99.9 %"
    decimals = next((n for n in (1, 2) if outcome(round(p, n + 2)) == outcome(p)), 3)
    return f"{100 * p:.{decimals}f} %"


def signed(number: float) -> str:
    """A number with its sign, set with a true minus."""
    return f"{number:+g}".replace("-", MINUS) if number else "0"


def thicknesses(shims: Sequence[float]) -> str:
    """A stack of shims, `20 + 10`, without the unit."""
    return " + ".join(f"{shim:g}" for shim in shims)
