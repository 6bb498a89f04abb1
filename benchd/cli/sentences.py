"""What a finding says, in sentences: how far and how sure, the verdict, what to do next. No tables in here."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from benchd.metrology.rounding import rounded
from benchd.quantities import printed_unit
from benchd.reports import words
from benchd.reports.words import MINUS

Doc = Mapping[str, Any]

MANY = 10000
"""From here on degrees of freedom make no difference that could be printed."""


def unit(name: str) -> str:
    """A unit as printed."""
    return "" if name == "1" else printed_unit(name)


def number(value: float, decimals: int = 1, *, sign: bool = False) -> str:
    """A number with so many decimals and a true minus; never a minus before nothing."""
    text = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def short(value: float, *, sign: bool = False) -> str:
    """A number with no more digits than it needs, up to four behind the point."""
    near = round(value, 4) or 0.0  # never a minus before nothing
    return (f"{near:+g}" if sign and near else f"{near:g}").replace("-", MINUS)


def significant(u: float) -> str:
    """An uncertainty to two significant digits, as the guides ask for."""
    return rounded(0.0, u)[1] if u > 0.0 else "0"


def dof(value: float | None) -> str:
    """Degrees of freedom; none stated is infinite. Cut off, never rounded up (JCGM 100, G.4.2)."""
    if value is None:
        return "\u221e"
    if value >= MANY:
        return f"> {MANY - 1}"
    return f"{math.floor(value)}" if value >= 10.0 else f"{math.floor(10.0 * value) / 10.0:g}"


def main_value(finding: Doc) -> tuple[str, str] | None:
    """The value that a finding is about: its key, and the value with its interval; None where there is none."""
    for key, value in finding["values"].items():
        if value.get("U") is not None:
            return key, with_interval(value, sign=key not in UNSIGNED)
    return None


def reading(value: float, unit_name: str, u: float | None = None) -> str:
    """A reading with its unit: as its u asks for, else lengths to a hundredth of a um, anything else to four places."""
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
    """Where the interval comes from: coverage, k, degrees of freedom, standard uncertainty."""
    if value.get("U") is None or value.get("k") is None:
        return ""
    freedom = "" if value["dof"] is None else f", {dof(value['dof'])} degrees of freedom"
    return f"95 %: k = {value['k']:.2f}{freedom}, u = {significant(value['u'])} {unit(value['unit'])}"


def side(finding: Doc) -> str:
    """On which side best focus lies, and of what."""
    value = finding["values"]["focus_error"]["value"]
    if value is None:
        return ""
    zero = "nominal" if finding["absolute"] else f"where nominal is assumed ({words.why_relative(finding)})"
    return f"Best focus is {words.side(value)} {zero}."


VERDICTS = {"pass": "PASS", "fail": "FAIL", "undecided": "UNDECIDED"}


def verdict(finding: Doc) -> tuple[str, str]:
    """The verdict in a word, and what stands behind it in a sentence."""
    judged = finding["verdict"]
    if judged is None:
        if not finding["absolute"]:
            return "RELATIVE", f"No verdict: {words.why_relative(finding)}, so only differences count."
        return "NO VERDICT", "The lens's record states no tolerance."
    inside = f"the {judged['value'].replace('_', ' ')} lies {limits(judged)}"
    told = f"With probability {words.percent(judged['p_conform'])} {inside} ({judged['rule']})."
    if judged.get("condition"):
        told += f" That holds {judged['condition']}."
    return VERDICTS[judged["is"]], told


def limits(judged: Doc) -> str:
    """The tolerance in words."""
    low, high, name = judged["low"], judged["high"], unit(judged["unit"])
    if low is None:
        return f"below {short(high, sign=True)} {name}"
    if high is None:
        return f"above {short(low, sign=True)} {name}"
    return f"within {short(low, sign=True)} to {short(high, sign=True)} {name}"


def next_step(finding: Doc) -> str:
    """What would decide an undecided verdict; empty otherwise."""
    judged = finding["verdict"]
    step = None if judged is None else judged["next"]
    if step is None:
        return ""
    name = words.next_line(step)
    if step["u_needed_um"] is None:
        told = f"Most of the doubt is {name}"
    else:
        told = f"{name} decides it once its u is {significant(step['u_needed_um'])} \u00b5m{_instead_of(step, finding)}"
    return f"{told[0].upper()}{told[1:]}: {step['how']}."


def _instead_of(step: Doc, finding: Doc) -> str:
    """What the line, or the part of it, is now; empty where the budget does not say."""
    line = next((line for line in finding["budget"] if line["term"] == step["dominant"]), None)
    if line is not None and step.get("part"):
        line = next((part for part in line.get("parts", ()) if part["name"] == step["part"]), None)
    return "" if line is None else f" instead of {significant(line['u'])}"


def apart(finding: Doc, chain: Sequence[Doc]) -> str:
    """Why parts have a smaller u in the budget than in the chain; empty where none has."""
    in_chain = {term["term"]: term["u_um"] or 0.0 for term in chain}
    smaller = []
    for line in finding["budget"]:
        there = in_chain.get(line["term"], 0.0)
        if there > line["u"] and significant(there) != significant(line["u"]):
            smaller.append(f"{line['term'].replace('_', ' ')} (there {significant(there)})")
    if not smaller:
        return ""
    return (
        f"Smaller than in the chain: {', '.join(smaller)}. What scale, gauge and a tipping carriage did to them they "
        "did to base, adapters and position together; that has lines of its own."
    )


THEN = "Then change shims_fitted_um in the lens's record and start benchd again."
"""The next advice counts from the shims that the record says are fitted."""


def shims(finding: Doc) -> str:
    """The shim advice, and what to write once it is followed; empty where there is none."""
    advice = finding["advice"]
    if advice is None:
        return ""
    if advice["shim_um"] is None:
        fitted = f" ({words.thicknesses(advice['fitted_um'])} \u00b5m now fitted)" if advice["fitted_um"] else ""
        return f"No change is advised{fitted}: {advice['why']}." if advice.get("why") else ""
    left = (
        "" if advice["residual_um"] is None else f" ({number(advice['residual_um'], 1, sign=True)} \u00b5m left over)"
    )
    if not (advice["from_stock"] or advice.get("remove")):
        return f"Leave the shims as they are{left}."
    told = words.shim_change(advice)
    return f"{told[0].upper()}{told[1:]}{left}. {THEN}"


def measured(finding: Doc) -> str:
    """What exactly was measured."""
    about = finding["measurand"]
    parts = [str(about["arrangement"])]
    ring = about.get("ring")
    if ring is not None:
        parts.append(f"ring at {ring['mark']}" if isinstance(ring, Mapping) else f"ring at {ring}")
    if about.get("f_number") is not None:
        parts.append(f"f/{about['f_number']:g}")
    if about.get("merit") is not None:
        at = "" if about.get("lp_mm") is None else f" at {about['lp_mm']:g} lp/mm"
        parts.append(f"{about['merit']}{at}")
    if about.get("light_nm") is not None:
        parts.append(f"{about['light_nm']:g} nm")
    if about.get("glass"):
        parts.append("glass " + " + ".join(about["glass"]))
    elif about["arrangement"] != "gauge":
        parts.append("no glass")
    return f"{', '.join(parts)}; lengths at {about['reference_C']:g} \u00b0C"


UNSIGNED = frozenset({"length", "carriage"})
"""Values that are no difference from anything: a plus before them would say nothing."""

VALUES = {
    "focus_error": "Focus error",
    "glass_residual": "Glass residual",
    "length": "Length",
    "carriage": "Carriage stood at",
    "shift": "Shift by the glass",
    "paraxial": "Paraxial shift",
    "residual": "Residual",
    "expected_residual": "Residual expected",
    "drift": "Drift",
}


def name_of_value(key: str) -> str:
    """A value's name as printed."""
    return VALUES.get(key, key.replace("_", " ").capitalize())
