"""Inputs of a procedure: their types, ranges and defaults, and the check of the values given."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import Field, model_validator

from benchd.errors import BenchdError, Refused
from benchd.files.names import Record, label_of
from benchd.files.wording import ended, near_names
from benchd.quantities import printed_unit

ArtefactKind = Literal["lens", "adapter", "glass", "reference"]
ARTEFACTS = get_args(ArtefactKind)
Listed = Literal["lens", "adapter", "glass", "reference", "length", "integer", "number", "text"]
"""Types that a list may hold."""
InputType = Literal[
    "lens", "adapter", "glass", "reference", "list", "length", "integer", "number", "choice", "text", "measured"
]

FACTS: Mapping[str, tuple[str, ...]] = {
    "lens": ("f_number", "focal_length_mm"),
    "adapter": ("length_um", "u_um"),
    "glass": ("thickness_mm",),
    "reference": ("length_um", "u_um", "reach_um"),
    "measured": ("value", "u"),
}
"""The keys of `${name.key}` for an input of each type: figures of the record, or parts of the value.

`reach_um` of a reference is the depth at which a tip of its length rests on the target, or on the cover over it.
"""

LISTED = 12
"""Number of ids that an error lists if no id is similar: a register may hold hundreds."""

Known = Mapping[str, Collection[str]]
"""The ids of the records of each kind: lens, adapter, glass, reference; of each model's lenses under `model <name>`."""


class LeftOut:
    """Stands for an input that was left out and `stands`: the keys that name it are left out of their steps."""

    def __str__(self) -> str:
        return "as it stands"


LEFT_OUT = LeftOut()

Taker = Callable[["Input", Any, Known | None], Any]


class Input(Record):
    """One input. Without `default` it has to be given; a default of null makes it optional.

    With `stands` it may be left out as well: then a step's key that names it is left out, and what stands on the bench
    stays so.

    `unit` belongs to `length` and to a list of lengths (a plain number is taken in it), `of` to `list`, `choices` to
    `choice`; `min` and `max` are of the value, of a list's count, in `unit`. A `measured` value is
    {"value": .., "u": ..}.
    """

    type: InputType
    of: Listed | None = None
    unit: Literal["um", "mm", "m"] | None = None
    min: float | None = None
    max: float | None = None
    choices: Annotated[tuple[str, ...], Field(max_length=32)] = ()
    default: Any = None
    stands: bool = False
    text: str = ""

    @property
    def required(self) -> bool:
        """Whether a value must be given."""
        return "default" not in self.model_fields_set and not self.stands

    @property
    def may_be_null(self) -> bool:
        """Whether it may be without a value."""
        return not self.required and self.default is None

    @model_validator(mode="after")
    def _keys_fit_the_type(self) -> Self:
        for key, owner in (("of", "list"), ("unit", "length"), ("choices", "choice")):
            stated = getattr(self, key)
            owns = owner in (self.type, self.of)
            if owns and not stated:
                raise ValueError(f"an input of type {owner} says its '{key}'")
            if not owns and stated:
                raise ValueError(f"'{key}' belongs to an input of type {owner}")
        if (self.min is not None or self.max is not None) and self.type not in ("list", "length", "integer", "number"):
            raise ValueError(f"'min' and 'max' do not belong to an input of type {self.type}")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise ValueError("'min' is not above 'max'")
        if self.stands and "default" in self.model_fields_set:
            raise ValueError("either 'default' or 'stands'")
        if not self.required and self.default is not None:
            parse_input(self, self.default, None)
        return self


def parse_input(wanted: Input, given: Any, known: Known | None) -> Any:
    """The value of an input from a JSON value; lengths in the input's unit.

    `known` None leaves the ids of records unchecked. Raises ValueError saying what is allowed.
    """
    if given is None:
        if wanted.required or wanted.default is not None:
            raise ValueError(_allowed(wanted))
        return None
    taker: Taker = _TAKERS.get(wanted.type, _artefact)
    value = taker(wanted, given, known)
    size = len(value) if isinstance(value, list) else value
    if isinstance(size, int | float) and not (
        _default(wanted.min, -math.inf) <= size <= _default(wanted.max, math.inf)
    ):
        raise ValueError(_allowed(wanted))
    return value


class RecordMissing(ValueError):
    """There is no record of that id."""


def parse_inputs(
    inputs: Mapping[str, Input], given: Mapping[str, Any], known: Known | None, hint: str = ""
) -> dict[str, Any]:
    """Every input's value, defaults filled in, `LEFT_OUT` for one that `stands`.

    Raises Refused('bad_request') naming each wrong, missing or unknown one.

    `known` None leaves the ids of records unchecked; `hint` is added to the advice if a record is missing, and the
    error's data name the inputs in `missing`.
    """
    values: dict[str, Any] = {}
    wrong: list[str] = []
    advice: list[str] = []
    missing: list[str] = []
    for name in given:
        if name not in inputs:
            near = near_names(name, inputs, 1)
            wrong.append(f"{name}: no such input" + (f"; did you mean '{near[0]}'?" if near else ""))
    for name, wanted in inputs.items():
        if name not in given:
            if wanted.required:
                wrong.append(f"{name}: needed, {_allowed(wanted)}")
            values[name] = LEFT_OUT if wanted.stands else wanted.default
            if wanted.default is not None:
                values[name] = parse_input(wanted, wanted.default, None)
            continue
        try:
            values[name] = parse_input(wanted, given[name], known)
        except ValueError as error:
            wrong.append(f"{name} = {str(given[name])[:60]}: {error}")
            if isinstance(error, RecordMissing):
                missing.append(name)
                advice = [hint] if hint else []
    if wrong:
        wanted_all = ", ".join(f"{name} ({entry.type})" for name, entry in inputs.items()) or "none"
        hints = " ".join([f"The inputs are: {wanted_all}.", *advice])
        raise Refused(
            "bad_request",
            ended("Inputs: " + "; ".join(wrong)),
            advice=hints,
            data={"problems": wrong, "missing": missing},
        )
    return values


def kind_of(wanted: Input) -> str:
    """The kind of an input's value; a list's kind says what it lists."""
    return f"list of {wanted.of}" if wanted.type == "list" else wanted.type


def sample_value(wanted: Input) -> Any:
    """A value that the input may have, to check a file with."""
    if wanted.default is not None:
        return parse_input(wanted, wanted.default, None)
    size = wanted.min if wanted.min is not None else min(1.0, _default(wanted.max, 1.0))
    samples: dict[str, Any] = {
        "list": [_SAMPLES.get(str(wanted.of), "x")] * max(1, int(size)),
        "length": size,
        "number": size,
        "integer": math.ceil(size),
        "choice": wanted.choices[0] if wanted.choices else "",
        "measured": {"value": 0.01, "u": 0.001},
    }
    return samples.get(wanted.type, "x")


def _default(value: float | None, other: float) -> float:
    return other if value is None else value


_SAMPLES: Mapping[str, Any] = {"length": 1.0, "number": 1.0, "integer": 1}
_LISTS: Mapping[str | None, str] = {
    "length": "lengths such as '5 mm', or numbers in the unit",
    "integer": "whole numbers",
    "number": "numbers",
    "text": "texts",
}


def _allowed(wanted: Input) -> str:
    low, high = wanted.min, wanted.max
    words = {
        "list": f"a list of {_LISTS.get(wanted.of, f'ids of {wanted.of} records')}",
        "length": f"a length such as '5 m', or a number in {printed_unit(wanted.unit or '')}",
        "integer": "a whole number",
        "number": "a number",
        "choice": f"one of {', '.join(wanted.choices)}",
        "text": "text",
        "measured": "a value with its u such as 0.0102+-0.00001 ({value: .., u: ..} in JSON), u more than 0",
        "lens": "the id, label or model of a lens on record",
    }.get(wanted.type, f"the id of a {wanted.type} record")
    unit = f" {printed_unit(wanted.unit)}" if wanted.unit else ""
    if low is not None and high is not None:
        words += f", {low:g} to {high:g}{unit}"
    elif low is not None:
        words += f", at least {low:g}{unit}"
    elif high is not None:
        words += f", at most {high:g}{unit}"
    return words


def _number(wanted: Input, given: Any, known: Known | None) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float) or not math.isfinite(given):
        raise ValueError(_allowed(wanted))
    return float(given)


def _integer(wanted: Input, given: Any, known: Known | None) -> int:
    if isinstance(given, bool) or not isinstance(given, int):
        raise ValueError(_allowed(wanted))
    return given


def _length(wanted: Input, given: Any, known: Known | None) -> float:
    if not isinstance(given, str):
        return _number(wanted, given, known)
    from benchd.quantities import length

    assert wanted.unit is not None
    try:
        return length(given, wanted.unit)
    except BenchdError as error:
        raise ValueError(f"{error.text} {error.advice}".strip()) from error


def _text(wanted: Input, given: Any, known: Known | None) -> str:
    if not isinstance(given, str) or len(given) > 1000 or (wanted.choices and given not in wanted.choices):
        raise ValueError(_allowed(wanted))
    return given


def _measured(wanted: Input, given: Any, known: Known | None) -> dict[str, float]:
    if not isinstance(given, Mapping) or set(given) != {"value", "u"}:
        raise ValueError(_allowed(wanted))
    value, u = _number(wanted, given["value"], known), _number(wanted, given["u"], known)
    if u <= 0:
        raise ValueError(_allowed(wanted))
    return {"value": value, "u": u}


def _artefact(wanted: Input, given: Any, known: Known | None) -> str:
    return _record(wanted.type, given, known, wanted)


def _list(wanted: Input, given: Any, known: Known | None) -> list[Any]:
    if not isinstance(given, list | tuple):
        raise ValueError(_allowed(wanted))
    if wanted.of in ARTEFACTS:
        return [_record(str(wanted.of), item, known, wanted) for item in given]
    single = wanted.model_copy(update={"type": wanted.of, "of": None, "min": None, "max": None})
    return [_TAKERS[str(wanted.of)](single, item, known) for item in given]


def _record(kind: str, given: Any, known: Known | None, wanted: Input) -> str:
    if not isinstance(given, str) or not given:
        raise ValueError(_allowed(wanted))
    if known is None or given in known.get(kind, ()):
        return given
    if (labelled := given.rpartition("-")[0]) in known.get(kind, ()) and label_of(labelled) == given.upper():
        return labelled
    of_model = sorted(known.get(f"model {given}", ())) if kind == "lens" else []
    if len(of_model) == 1:
        return of_model[0]
    if of_model:
        raise ValueError(f"{len(of_model)} lenses are of that model, {', '.join(of_model[:LISTED])}: say which")
    there = sorted(known.get(kind, ()))
    near = near_names(given, there, 1)
    others = f"there are {', '.join(there[:LISTED])}{', ..' * (len(there) > LISTED)}" if there else "there are none"
    raise RecordMissing(f"there is no {kind} '{given}'; " + (f"did you mean '{near[0]}'?" if near else others))


_TAKERS: Mapping[str, Taker] = {
    "list": _list,
    "length": _length,
    "integer": _integer,
    "number": _number,
    "choice": _text,
    "text": _text,
    "measured": _measured,
}
