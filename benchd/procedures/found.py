"""What an assessment has found, in one sentence, for whoever is asked next: nobody should answer blind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.run_record import RunRecord
from benchd.metrology.outlying import FAR_OFF
from benchd.metrology.rounding import rounded
from benchd.questions.registry import wording_of
from benchd.reports.numbers import MINUS, percent, unit
from benchd.reports.words import verdict_words

Doc = Mapping[str, Any]
Stands = tuple[float, str]
"""A length (um) and where it stands."""


def with_found(prompt: str, run: RunRecord, bench: Bench) -> str:
    """The question, after what the run has found since the last one."""
    return " ".join([*(found(run.findings[name], _stands(bench, run.findings[name])) for name in run.unseen), prompt])


def found(doc: Doc, stands: Stands | None) -> str:
    """The value with its expanded uncertainty (95 %); a calibration's change from what `stands`; a verdict."""
    wording = wording_of(doc)
    key = wording.main(doc)
    value = None if key is None else doc["values"][key]
    if key is None or value is None or value["value"] is None or not value["U"]:
        return f"{doc['assessment']} has found no value."
    of = wording.named(key)
    name = doc["measurand"].get("artefact") or of.name.lower()
    number = _text(value["value"], value["U"], sign=of.signed)
    text = f"Found: {name} {number} ± {rounded(0.0, value['U'])[1]} {unit(value['unit'])}".rstrip()
    if stands is not None:
        change = _text(value["value"] - stands[0], value["U"], sign=True)
        text += f", {change} µm from the {_text(stands[0], value['U'])} µm {stands[1]}"
    if wording.judges(doc):
        text += f", {verdict_words(doc)}"
        if doc["verdict"] is not None:
            text += f" (probability of conformity {percent(doc['verdict']['p_conform'])})"
    return " ".join([f"{text}.", *(note for note in doc["notes"] if FAR_OFF in note)])


def _stands(bench: Bench, doc: Doc) -> Stands | None:
    """The length that a calibration would take the place of."""
    artefact = next((one["artefact"] for one in doc.get("calibrates", ())), None)
    if artefact is None:
        return None
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
