"""What an assessment has found, in one sentence, for whoever is asked next: nobody should answer blind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.run_record import RunRecord
from benchd.metrology.outlying import FAR_OFF
from benchd.metrology.rounding import rounded
from benchd.questions.registry import wording_of
from benchd.questions.wording import Named
from benchd.reports.numbers import MINUS, percent, unit
from benchd.reports.words import verdict_words

Doc = Mapping[str, Any]
Stands = tuple[float, str]
"""A length (um) and where it stands."""


def with_found(prompt: str, run: RunRecord, bench: Bench) -> str:
    """The question, after what the run has found since the last one."""
    return " ".join([*(found(run.findings[name], _stands(bench, run.findings[name])) for name in run.unseen), prompt])


def found(doc: Doc, stands: Mapping[str, Stands]) -> str:
    """The value with its expanded uncertainty (95 %) and a verdict; of calibrations each, with what it changes.

    `stands` is by artefact.
    """
    wording = wording_of(doc)
    of = {one["value"]: one["artefact"] for one in doc.get("calibrates", ())}
    main = wording.main(doc)
    told = [
        _value(doc["values"][key], wording.named(key), of.get(key), stands.get(of.get(key, "")))
        for key in (of or ([] if main is None else [main]))
        if doc["values"][key]["value"] is not None and doc["values"][key]["U"]
    ]
    if not told:
        return f"{doc['assessment']} has found no value."
    text = f"Found: {'; '.join(told)}"
    if wording.judges(doc):
        text += f", {verdict_words(doc)}"
        if doc["verdict"] is not None:
            text += f" (probability of conformity {percent(doc['verdict']['p_conform'])})"
    return " ".join([f"{text}.", *(note for note in doc["notes"] if FAR_OFF in note)])


def _value(value: Doc, named: Named, artefact: str | None, stands: Stands | None) -> str:
    """A value in a few words, as a calibration by its artefact's name; one that adds nothing is no change."""
    in_unit = unit(value["unit"])
    number = _text(value["value"], value["U"], sign=named.signed and value["value"] != 0.0)
    text = f"{artefact or named.name.lower()} {number} ± {rounded(0.0, value['U'])[1]} {in_unit}".rstrip()
    if stands is None or value["unit"] != "um" or value["value"] == 0.0 == stands[0]:
        return text
    change = _text(value["value"] - stands[0], value["U"], sign=True)
    return f"{text}, {change} µm from the {_text(stands[0], value['U'])} µm {stands[1]}"


def _stands(bench: Bench, doc: Doc) -> dict[str, Stands]:
    """By artefact, the length that a calibration would take the place of."""
    found = {one["artefact"]: _stands_of(bench, one["artefact"]) for one in doc.get("calibrates", ())}
    return {artefact: stands for artefact, stands in found.items() if stands is not None}


def _stands_of(bench: Bench, artefact: str) -> Stands | None:
    in_force = bench.setup.calibration(artefact)
    if in_force is not None:
        return in_force.value_um, f"in force ({in_force.id})"
    base, adapter = bench.file.base, bench.loaded.records.adapters.get(artefact)
    if artefact == base.calibration:
        return base.given.length_um, "stated in the bench file"
    return None if adapter is None else (adapter.given.length_um, "stated in its record")


def _text(value: float, u: float, *, sign: bool = False) -> str:
    near = rounded(value, u)[0]
    plus = "+" if sign and float(near) > 0.0 else ""
    return f"{plus}{near}".replace("-", MINUS)
