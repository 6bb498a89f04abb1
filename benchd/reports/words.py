"""Sentences for any finding: verdict, its basis, what would decide it, what was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.metrology.rounding import at_most
from benchd.reports.numbers import percent, short, significant, unit

Doc = Mapping[str, Any]

OUTCOMES = {"pass": "inside tolerance", "fail": "outside tolerance", "undecided": "undecided"}
VERDICTS = {"pass": "PASS", "fail": "FAIL", "undecided": "UNDECIDED"}


def verdict_words(finding: Doc) -> str:
    """`inside tolerance`, `outside tolerance`, `undecided`, or that there is no tolerance or no nominal to judge by."""
    verdict = finding["verdict"]
    if verdict is not None:
        return OUTCOMES[verdict["is"]]
    return "no tolerance stated" if finding["absolute"] else "relative, no verdict"


def why_relative(doc: Doc) -> str:
    """Clauses saying why nominal is not known, from a finding or a set-up."""
    return " and ".join(doc.get("why_relative") or ["the notes say why"])


def nominal(finding: Doc) -> str:
    """What offsets are counted from: nominal, or the assumed nominal if it is not known."""
    return "nominal" if finding["absolute"] else "the assumed nominal"


def crossing_sentence(finding: Doc) -> str:
    """Why there is a verdict although the interval crosses a limit; empty if it does not."""
    verdict = finding["verdict"]
    if verdict is None or verdict["is"] == "undecided":
        return ""
    value = finding["values"][verdict["value"]]
    low, high = value["value"] - value["U"], value["value"] + value["U"]
    limits = [limit for limit in (verdict["low"], verdict["high"]) if limit is not None]
    if not any(low < limit < high for limit in limits):
        return ""
    clear = "95 % or more passes" if verdict["is"] == "pass" else "5 % or less fails"
    return f"The interval crosses a limit; the verdict goes by the probability inside: {clear}."


def next_line(step: Doc) -> str:
    """The obstacle to a verdict in words: a line of the budget, with the part of it to improve."""
    name = str(step["dominant"]).replace("_", " ")
    return f"{step['part']} of the {name} line" if step.get("part") else name


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
    if glass or measurand["arrangement"] != "gauge":
        parts.append("glass " + " + ".join(glass) if glass else "no glass")
    number = finding.get("finding")
    parts += [str(number)] if number else []
    return "  ·  ".join([*parts, str(finding["run"]), str(finding["at"])])


def verdict(finding: Doc, name: str = "") -> tuple[str, str]:
    """The verdict in a word, and its basis in a sentence; `name` is the value's printed name."""
    judged = finding["verdict"]
    if judged is None:
        if not finding["absolute"]:
            return "RELATIVE", f"No verdict: {why_relative(finding)}, so only differences count."
        return "NO VERDICT", "No tolerance is stated for it."
    inside = f"the {name.lower() or judged['value'].replace('_', ' ')} lies {limits(judged)}"
    sentence = f"With probability {percent(judged['p_conform'])} {inside} ({judged['rule']})."
    if judged.get("condition"):
        sentence += f" That holds {judged['condition']}."
    return VERDICTS[judged["is"]], sentence


def limits(judged: Doc) -> str:
    """The tolerance in words."""
    low, high, name = judged["low"], judged["high"], unit(judged["unit"])
    if low is None:
        return f"below {short(high, sign=True)} {name}"
    if high is None:
        return f"above {short(low, sign=True)} {name}"
    return f"within {short(low, sign=True)} to {short(high, sign=True)} {name}"


def next_step(finding: Doc) -> str:
    """What would decide an undecided verdict, and what U would then be; empty otherwise."""
    judged = finding["verdict"]
    step = None if judged is None else judged["next"]
    if step is None:
        return ""
    name = next_line(step)
    tail = "_um" if judged["unit"] == "um" else ""
    needed, then = step.get(f"u_needed{tail}"), step.get(f"U_then{tail}")
    by = unit(judged["unit"])
    if needed is None:
        sentence = f"Most of the doubt is {name}"
        if then is not None:
            sentence += f", and without it U would still be {f'{significant(then)} {by}'.rstrip()}"
            if (decides := step.get(f"U_decides{tail}")) is not None:
                sentence += f", where {f'{at_most(decides)} {by}'.rstrip()} would decide"
    else:
        u = f"{at_most(needed)} {by}".rstrip()
        sentence = f"{name} decides it once its u is {u}{_instead_of(step, finding['budgets'][judged['value']])}"
        if then is not None:
            sentence += f"; then U would be {f'{significant(then)} {by}'.rstrip()}"
    return f"{sentence[0].upper()}{sentence[1:]}: {step['how']}."


def _instead_of(step: Doc, budget: Sequence[Doc]) -> str:
    """The present u of the line, or of its part; empty if the budget does not have it."""
    line = next((line for line in budget if line["term"] == step["dominant"]), None)
    if line is not None and step.get("part"):
        line = next((part for part in line.get("parts", ()) if part["name"] == step["part"]), None)
    return "" if line is None else f" instead of {significant(line['u'])}"


def apart(budget: Sequence[Doc], chain: Sequence[Doc]) -> str:
    """Why parts have a smaller u in a budget than in the chain; empty if none has."""
    in_chain = {term["term"]: term["u_um"] or 0.0 for term in chain}
    smaller = []
    for line in budget:
        there = in_chain.get(line["term"], 0.0)
        if _shared(line["term"]) and there > line["u"] and significant(there) != significant(line["u"]):
            smaller.append(f"{line['term'].replace('_', ' ')} (there {significant(there)})")
    if not smaller:
        return ""
    cover, among = ", the target's cover", ", position and image"
    if not in_chain.get("target_cover"):
        cover, among = "", " and position"
    return (
        f"Smaller than in the chain: {', '.join(smaller)}. What scale, gauge{cover} and a tipping carriage did to them "
        f"they did to base, adapters{among} together; that has lines of its own."
    )


def _shared(term: str) -> bool:
    """Whether a line is of a length, part of whose u may be in other lines; others depend on the peak's position."""
    return term == "base" or term.startswith("adapter ")


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
