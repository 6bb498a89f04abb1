"""A finding in a few plain sentences, as they stand over its picture; and the words it shares with what is printed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.metrology.decision import outcome
from benchd.metrology.rounding import rounded

Doc = Mapping[str, Any]

MINUS = "\u2212"
_OUTCOMES = {"pass": "inside tolerance", "fail": "outside tolerance", "undecided": "undecided"}


def headline(finding: Doc) -> str:
    """Which lens, and the verdict in words."""
    lens = finding["lens"]
    what = f"Lens {lens}" if lens else "Best focus"
    return f"{what}: {verdict_words(finding)}"


def verdict_words(finding: Doc) -> str:
    """`inside tolerance`, `outside tolerance`, `undecided`, or that there is no tolerance or no nominal to judge by."""
    verdict = finding["verdict"]
    if verdict is not None:
        return _OUTCOMES[verdict["is"]]
    return "no tolerance stated" if finding["absolute"] else "relative, no verdict"


def why_relative(doc: Doc) -> str:
    """Why nominal is not known, of a finding or a set-up, in a clause or two."""
    return " and ".join(doc.get("why_relative") or ["the notes say why"])


def best_focus_sentence(finding: Doc) -> str:
    """Where best focus lies and how sure that is; a 95 % interval. Says nominal only where that is known."""
    value = finding["values"]["focus_error"]
    error, expanded = rounded(abs(value["value"]), value["U"])
    where = f"{side(value['value'])} {nominal(finding)}"
    sentence = f"Best focus {error} µm {where}, U = {expanded} µm (95 %, k = {value['k']:.2f})"
    verdict = finding["verdict"]
    if verdict is None:
        return f"{sentence}."
    return f"{sentence}; probability of conformity {percent(verdict['p_conform'])}."


def crossing_sentence(finding: Doc) -> str:
    """Why a verdict is clear though the interval reaches over a limit; empty where it does not."""
    verdict, value = finding["verdict"], finding["values"]["focus_error"]
    if verdict is None or verdict["is"] == "undecided":
        return ""
    low, high = value["value"] - value["U"], value["value"] + value["U"]
    limits = [limit for limit in (verdict["low"], verdict["high"]) if limit is not None]
    if not any(low < limit < high for limit in limits):
        return ""
    clear = "95 % or more passes" if verdict["is"] == "pass" else "5 % or less fails"
    return f"The interval crosses a limit; the verdict goes by the probability inside: {clear}."


def side(error: float) -> str:
    """On which side of nominal an error of focus lies: above zero the image is too deep."""
    return "deeper than" if error >= 0 else "short of"


def nominal(finding: Doc) -> str:
    """What offsets are counted from: nominal, or what is taken for it where that is not known."""
    return "nominal" if finding["absolute"] else "the assumed nominal"


def percent(p: float) -> str:
    """A probability in words that never round to certainty, nor across the thresholds of the decision rule."""
    if p < 0.001:
        return "below 0.1 %"
    if p > 0.999:
        return "above 99.9 %"
    decimals = next((n for n in (1, 2) if outcome(round(p, n + 2)) == outcome(p)), 3)
    return f"{100 * p:.{decimals}f} %"


def advice_sentence(finding: Doc) -> str:
    """What mends it, what would decide it, or why there is no verdict; empty where there is nothing to say."""
    if not finding["absolute"]:
        return f"No verdict: {why_relative(finding)}."
    verdict, advice = finding["verdict"], finding["advice"]
    if verdict is not None and verdict["next"] is not None:
        return f"{next_line(verdict['next'])}: {verdict['next']['how']}."
    if verdict is not None and verdict.get("condition"):
        return f"That holds {verdict['condition']}."
    if advice is None or not (advice["from_stock"] or advice.get("remove")):
        return ""
    left = f"; {signed(round(advice['residual_um'], 1))} µm are left over" if advice["residual_um"] is not None else ""
    return f"Shims: {shim_change(advice)}{left}."


def next_line(step: Doc) -> str:
    """What stands in the way of a verdict: a line of the budget, with the part of it to better."""
    name = str(step["dominant"]).replace("_", " ")
    return f"{step['part']} of the {name} line" if step.get("part") else name


def shim_change(advice: Doc) -> str:
    """What to do with the shims and what is under the lens then, `add 10 µm to the 50 now fitted: new total 60 µm`."""
    put, take, fitted = advice["from_stock"] or [], advice.get("remove") or [], advice["fitted_um"]
    whole = sorted(take) == sorted(fitted)
    if take:
        gone = f"the {thicknesses(take)} now fitted" if whole else f"{thicknesses(take)} of the {thicknesses(fitted)}"
        done = f"replace {gone} by {thicknesses(put)} µm" if put else f"remove {gone}"
    else:
        done = f"add {thicknesses(put)} µm" + (f" to the {thicknesses(fitted)} now fitted" if fitted else "")
    total = advice.get("total_um")  # findings from before it was stated lack it
    return done if total is None else f"{done}: new total {total:g} µm"


def signed(number: float) -> str:
    """A number with its sign, set with a true minus."""
    return f"{number:+g}".replace("-", MINUS) if number else "0"


def thicknesses(shims: Sequence[float]) -> str:
    """Shims as they lie on one another, `20 + 10`, without their unit."""
    return " + ".join(f"{shim:g}" for shim in shims)


def measurand_line(finding: Doc) -> str:
    """What exactly was measured, and the finding's number and time."""
    measurand = finding["measurand"]
    ring = measurand.get("ring")
    parts = [str(measurand["arrangement"])]
    if ring is not None:
        parts.append(f"ring at mark {ring['mark']}" if isinstance(ring, Mapping) else f"ring: {ring}")
    for key, form in (("f_number", "f/{:g}"), ("light_nm", "{:g} nm")):
        if measurand.get(key) is not None:
            parts.append(form.format(measurand[key]))
    glass = measurand.get("glass") or []
    parts.append("glass " + " + ".join(glass) if glass else "no glass")
    number = finding.get("finding")
    parts += [str(number)] if number else []
    return "  ·  ".join([*parts, str(finding["run"]), str(finding["at"])])


def merit_label(finding: Doc) -> str:
    """The label of the merit axis."""
    measurand = finding["measurand"]
    name = "Modulation" if measurand.get("merit") in ("edge", None) else f"Merit ({measurand['merit']})"
    if measurand.get("response") == "system":
        name += " of lens and camera"
    lp_mm = measurand.get("lp_mm")
    return name if lp_mm is None else f"{name} at {lp_mm:g} lp/mm"
