"""Questions of a run: one at a time, put through the operator device and published in the state of the procedure."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.datum.glass_found import plates_of, plates_um
from benchd.bench.datum.glass_residual import glass_question_text
from benchd.bench.run_record import RunRecord
from benchd.bench.time_table import spent
from benchd.devices import Ask, Operator
from benchd.devices.values import AskKind
from benchd.errors import Refused
from benchd.metrology.outlying import FAR_OFF
from benchd.metrology.rounding import rounded
from benchd.questions.registry import wording_of
from benchd.questions.wording import Named
from benchd.reports.numbers import MINUS, percent, unit
from benchd.reports.words import verdict_words


class Prompts:
    """Asks through the bench's operator; `changed` is called when a question opens or closes."""

    def __init__(self, bench: Bench, changed: Callable[[], None]) -> None:
        self._operator = next(d for d in bench.assembly.devices.values() if isinstance(d, Operator))
        self._changed = changed
        self._open: dict[str, Any] | None = None

    @property
    def open(self) -> dict[str, Any] | None:
        """The open question, as published: ask, name, kind, text, choices, unit, min, max, until."""
        return self._open

    async def ask(
        self,
        name: str | None,
        kind: AskKind,
        text: str,
        choices: Sequence[str] = (),
        unit: str | None = None,
        bounds: tuple[float | None, float | None] = (None, None),
    ) -> Any:
        """Put a question and wait for the first valid answer, from any user; a number has to lie within its `bounds`.

        Its id cannot be guessed and is never used again: a user who names it has received the question.
        """
        question = Ask(f"a-{secrets.token_hex(6)}", kind, text, tuple(choices), unit, low=bounds[0], high=bounds[1])
        self._open = {
            "ask": question.ask,
            "name": name,
            "kind": kind,
            "text": text,
            "choices": list(choices),
            "unit": unit,
            "min": bounds[0],
            "max": bounds[1],
            "until": None,
        }
        self._changed()
        try:
            with spent("person"):
                return (await self._operator.ask(question)).value
        finally:
            self._open = None
            self._changed()

    def answer(self, ask: str, value: Any, user: str) -> Any:
        """Hand an answer in; gives the value taken. Raises Refused (not_found, bad_request)."""
        return self._operator.answer(ask, value, user).value


Doc = Mapping[str, Any]
PresentLength = tuple[float, str]
"""A length (um) and where it comes from."""


def with_findings(prompt: str, run: RunRecord, bench: Bench) -> str:
    """The question, preceded by the findings of the run since the last question."""
    docs = [run.findings[name] for name in run.unreported]
    told = [[finding_summary(doc, _present_lengths(bench, doc)), *_far(bench, doc)] for doc in docs]
    return " ".join([*(sentence for sentences in told for sentence in sentences), prompt])


def _far(bench: Bench, doc: Doc) -> list[str]:
    """Sentences: what would come of putting a finding in force that lies far from what is stated."""
    far = [one for one in bench.setup.beside_stated(doc) if one.far] if doc["absolute"] else []
    return [text for one in far for text in (one.how_far, one.follows) if text]


def finding_summary(doc: Doc, present: Mapping[str, PresentLength]) -> str:
    """The value with its expanded uncertainty (95 %) and verdict; for a calibration, each value with its change.

    `present` gives the lengths in use, by artefact.
    """
    wording = wording_of(doc)
    artefacts = {entry["value"]: entry["artefact"] for entry in doc.get("calibrates", ())}
    main = wording.main(doc)
    summaries = [
        _value(doc["values"][key], wording.named(key), artefacts.get(key), present.get(artefacts.get(key, "")))
        for key in (artefacts or ([] if main is None else [main]))
        if doc["values"][key]["value"] is not None and doc["values"][key]["U"]
    ]
    if not summaries:
        return f"{doc['assessment']} has found no value."
    text = f"Found: {'; '.join(summaries)}"
    if wording.judges(doc):
        text += f", {verdict_words(doc)}"
        if doc["verdict"] is not None:
            text += f" (probability of conformity {percent(doc['verdict']['p_conform'])})"
    return " ".join([f"{text}.", *(note for note in doc["notes"] if FAR_OFF in note)])


def _value(value: Doc, named: Named, artefact: str | None, present: PresentLength | None) -> str:
    """A value in a few words; a calibration is named by its artefact, and its change is added unless both are zero."""
    in_unit = unit(value["unit"])
    number = _text(value["value"], value["U"], sign=named.signed and value["value"] != 0.0)
    text = f"{artefact or named.name.lower()} {number} ± {rounded(0.0, value['U'])[1]} {in_unit}".rstrip()
    if present is None or value["unit"] != "um" or value["value"] == 0.0 == present[0]:
        return text
    change = _text(value["value"] - present[0], value["U"], sign=True)
    return f"{text}, {change} µm from the {_text(present[0], value['U'])} µm {present[1]}"


def _present_lengths(bench: Bench, doc: Doc) -> dict[str, PresentLength]:
    """By artefact, the length that a calibration would replace."""
    lengths = {entry["artefact"]: _present_length(bench, entry["artefact"]) for entry in doc.get("calibrates", ())}
    return {artefact: length for artefact, length in lengths.items() if length is not None}


def _present_length(bench: Bench, artefact: str) -> PresentLength | None:
    in_force = bench.setup.calibration(artefact)
    if in_force is not None:
        return in_force.value, f"in force ({in_force.id})"
    records = bench.loaded.records
    base, adapter, plates = bench.file.base, records.adapters.get(artefact), plates_of(artefact)
    if plates and set(plates) <= set(records.glasses):
        return plates_um(records, plates, bench.setup.document.light_nm), "stated in its record"
    if artefact == base.calibration:
        return base.given.length_um, "stated in the bench file"
    return None if adapter is None else (adapter.given.length_um, "stated in its record")


def _text(value: float, u: float, *, sign: bool = False) -> str:
    near = rounded(value, u)[0]
    plus = "+" if sign and float(near) > 0.0 else ""
    return f"{plus}{near}".replace("-", MINUS)


@dataclass(frozen=True, slots=True)
class GlassQuestion:
    """The question, and the lens with its glass that a yes applies to, even if others are fitted meanwhile."""

    text: str
    lens: str
    glass: tuple[str, ...]

    def confirm(self, run: RunRecord) -> None:
        """The person has confirmed that this glass is intended."""
        run.glass_confirmed.add((self.lens, self.glass))

    def refusal(self) -> Refused:
        """The refusal after a no: nothing is measured through this glass."""
        return Refused(
            "bad_request",
            f"Nothing is measured: the glass behind lens {self.lens} is not meant to stand so.",
            advice=f"State the glass that stands behind it, or correct designed_for_glass in lenses/{self.lens}.yaml.",
            data={"lens": self.lens, "glass": list(self.glass)},
        )


def glass_question(run: RunRecord, bench: Bench) -> GlassQuestion | None:
    """The question about the present set-up; None if the glass is the lens's own, or was confirmed."""
    setup = bench.setup.document
    if setup.lens is None or (setup.lens, setup.glass) in run.glass_confirmed:
        return None
    text = glass_question_text(setup.lens, setup.glass, bench.loaded.records)
    return None if text is None else GlassQuestion(text, setup.lens, setup.glass)
