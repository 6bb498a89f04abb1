"""Words for a finding of best focus: how far on which side of nominal, and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.detectors.registry import quantity, works_on
from benchd.metrology.rounding import rounded
from benchd.reports.numbers import number, percent, signed, thicknesses
from benchd.reports.words import OUTCOMES, next_step, nominal, verdict_words, why_relative

Doc = Mapping[str, Any]


def headline(finding: Doc) -> str:
    """Which lens, and the verdict in words."""
    lens = finding["lens"]
    what = f"Lens {lens}" if lens else "Best focus"
    return f"{what}: {verdict_words(finding)}"


def best_focus_sentence(finding: Doc) -> str:
    """Where best focus lies, with a 95 % interval. Says `nominal` only for an absolute finding."""
    value = finding["values"]["focus_error"]
    error, expanded = rounded(abs(value["value"]), value["U"])
    where = f"{side(value['value'])} {nominal(finding)}"
    sentence = f"Best focus {error} µm {where}, U = {expanded} µm (95 %, k = {value['k']:.2f})"
    verdict = finding["verdict"]
    if verdict is None:
        return f"{sentence}."
    return f"{sentence}; probability of conformity {percent(verdict['p_conform'])}."


def side(error: float) -> str:
    """The side of nominal of a focus error: above zero the image is too deep."""
    return "deeper than" if error >= 0 else "short of"


def advice_sentence(finding: Doc) -> str:
    """The correction, what would decide the verdict, or why there is none; empty if there is nothing to say."""
    if not finding["absolute"]:
        return f"No verdict: {why_relative(finding)}."
    verdict, advice = finding["verdict"], finding["advice"]
    if verdict is not None and verdict["next"] is not None:
        return next_step(finding)
    if verdict is not None and verdict.get("condition"):
        return f"That holds {verdict['condition']}."
    if advice is None or not (advice["from_stock"] or advice.get("remove")):
        return ""
    left = f"; {signed(round(advice['residual_um'], 1))} µm are left over" if advice["residual_um"] is not None else ""
    return f"Shims: {shim_change(advice)}{left}."


def shim_change(advice: Doc) -> str:
    """The change of shims and the new total, `add 10 µm to the 50 now fitted: new total 60 µm`."""
    put, take, fitted = advice["from_stock"] or [], advice.get("remove") or [], advice["fitted_um"]
    whole = sorted(take) == sorted(fitted)
    if take:
        gone = f"the {thicknesses(take)} now fitted" if whole else f"{thicknesses(take)} of the {thicknesses(fitted)}"
        done = f"replace {gone} by {thicknesses(put)} µm" if put else f"remove {gone}"
    else:
        done = f"add {thicknesses(put)} µm" + (f" to the {thicknesses(fitted)} now fitted" if fitted else "")
    total = advice.get("total_um")  # findings from before it was stated lack it
    return done if total is None else f"{done}: new total {total:g} µm"


def merit_label(finding: Doc) -> str:
    """The label of the merit axis."""
    measurand = finding["measurand"]
    name = quantity(measurand["merit"])
    if measurand.get("response") == "system":
        name += f" of lens and {works_on(measurand['merit'])}"
    lp_mm = measurand.get("lp_mm")
    return name if lp_mm is None else f"{name} at {lp_mm:g} lp/mm"


def side_sentence(finding: Doc) -> str:
    """A sentence on which side of nominal best focus lies; empty without a value."""
    value = finding["values"]["focus_error"]["value"]
    if value is None:
        return ""
    zero = "nominal" if finding["absolute"] else f"where nominal is assumed ({why_relative(finding)})"
    return f"Best focus is {side(value)} {zero}."


def shims(finding: Doc) -> str:
    """The shim advice, and what to write into the record afterwards; empty if there is none."""
    advice = finding["advice"]
    if advice is None:
        return ""
    if advice["shim_um"] is None:
        fitted = f" ({thicknesses(advice['fitted_um'])} \u00b5m now fitted)" if advice["fitted_um"] else ""
        return f"No change is advised{fitted}: {advice['why']}." if advice.get("why") else ""
    rest = [] if advice["residual_um"] is None else [f"{number(advice['residual_um'], 1, sign=True)} µm left over"]
    if advice.get("foretold") is not None:
        rest.append(_foretold(advice["foretold"]))
    left = f" ({', '.join(rest)})" if rest else ""
    if not (advice["from_stock"] or advice.get("remove")):
        return f"Leave the shims as they are{left}."
    change = shim_change(advice)
    return f"{change[0].upper()}{change[1:]}{left}. {_to_prove(finding)}".rstrip()


def _foretold(verdict: Doc) -> str:
    return f"expected then: {OUTCOMES[verdict['is']]}, probability of conformity {percent(verdict['p_conform'])}"


def _to_prove(finding: Doc) -> str:
    """What measures it again, and writes into the lens's record what is under it; empty without a lens, and with the
    ring at a mark, for which there is no such procedure."""
    advice, ring = finding["advice"], finding["measurand"].get("ring")
    under = [*advice["fitted_um"], *(advice["from_stock"] or [])]
    for thickness in advice.get("remove") or []:
        under.remove(thickness)
    if finding["lens"] is None or isinstance(ring, dict):
        return ""
    where = "" if ring in (None, "infinity") else f" ring={ring}"
    return (
        f"Then `benchd run shim_proof lens={finding['lens']} shims_um={','.join(f'{one:g}' for one in under)}{where}`."
    )
