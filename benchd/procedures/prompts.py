"""Questions of a run: one at a time, put to the person as a device, visible in the state of the procedure."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.datum.glass_residual import glass_question_text
from benchd.bench.run_record import RunRecord
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
        """The question that waits, as published: ask, name, kind, text, choices, unit, until."""
        return self._open

    async def ask(
        self, name: str | None, kind: AskKind, text: str, choices: Sequence[str] = (), unit: str | None = None
    ) -> Any:
        """Put a question and wait for the first valid answer, whoever gives it.

        Its id cannot be guessed and is never used again: who names it has heard the question.
        """
        question = Ask(f"a-{secrets.token_hex(6)}", kind, text, tuple(choices), unit)
        self._open = {
            "ask": question.ask,
            "name": name,
            "kind": kind,
            "text": text,
            "choices": list(choices),
            "unit": unit,
            "until": None,
        }
        self._changed()
        try:
            return (await self._operator.ask(question)).value
        finally:
            self._open = None
            self._changed()

    def answer(self, ask: str, value: Any, user: str) -> Any:
        """Hand an answer in; gives the value taken. Raises Refused (not_found, bad_request)."""
        return self._operator.answer(ask, value, user).value


Doc = Mapping[str, Any]
Stands = tuple[float, str]
"""A length (um) and where it stands."""


def with_findings(prompt: str, run: RunRecord, bench: Bench) -> str:
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


@dataclass(frozen=True, slots=True)
class GlassQuestion:
    """The sentence, and the lens with its glass that a yes counts for, whatever is put in meanwhile."""

    text: str
    lens: str
    glass: tuple[str, ...]

    def yes(self, run: RunRecord) -> None:
        """It is meant to stand so."""
        run.glass_confirmed.add((self.lens, self.glass))

    def no(self) -> Refused:
        """It is not, so nothing is measured through it."""
        return Refused(
            "bad_request",
            f"Nothing is measured: the glass behind lens {self.lens} is not meant to stand so.",
            advice=f"State the glass that stands behind it, or correct designed_for_glass in lenses/{self.lens}.yaml.",
            data={"lens": self.lens, "glass": list(self.glass)},
        )


def glass_question(run: RunRecord, bench: Bench) -> GlassQuestion | None:
    """What has to be asked of the set-up as it stands; None where the glass is the lens's own, or meant."""
    setup = bench.setup.document
    if setup.lens is None or (setup.lens, setup.glass) in run.glass_confirmed:
        return None
    text = glass_question_text(setup.lens, setup.glass, bench.loaded.records)
    return None if text is None else GlassQuestion(text, setup.lens, setup.glass)
