"""Values put in place of their names, once, with their type kept; and conditions, held against findings and answers."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from pydantic import ValidationError

from benchd.errors import BenchdError, Refused
from benchd.files.wording import what_may_stand
from benchd.procedures.arguments import Condition
from benchd.procedures.inputs import FACTS
from benchd.procedures.steps import AskStep, ForStep, RepeatStep, Step
from benchd.procedures.values import WRITTEN_OUT, Reference, put_into

Facts = Callable[[str, str], Mapping[str, Any]]
"""Figures of a record by its kind and id: those of `FACTS`, as they are known now. Raises Refused('unknown_name')."""


Turn = Callable[["Scope"], "Scope"]
"""The scope inside one turn of a loop, from the one around it."""


def no_facts(kind: str, name: str) -> Mapping[str, Any]:
    """No figures of any record."""
    raise Refused("unknown_name", f"Nothing is known here of {kind} {name}.")


@dataclass(frozen=True, slots=True)
class Scope:
    """What names stand for at one point of a run: inputs, loop variables, saved answers; `kinds` are their types.

    `rounds` are those of the loops around it, outermost first: which one, of how many.
    """

    values: Mapping[str, Any] = field(default_factory=dict)
    kinds: Mapping[str, str] = field(default_factory=dict)
    facts: Facts = no_facts
    rounds: tuple[tuple[int, int], ...] = ()

    def with_value(self, name: str, value: Any, kind: str) -> Scope:
        """The same with one name more, or with another value under it."""
        return replace(self, values={**self.values, name: value}, kinds={**self.kinds, name: kind})

    def without(self, name: str) -> Scope:
        """The same, of which nobody knows yet what that name stands for."""
        return replace(self, values={one: value for one, value in self.values.items() if one != name})

    def as_before(self, name: str, before: Scope) -> Scope:
        """The same, in which that name stands for what it stood for before, or for nothing."""
        if name not in before.values:
            return self.without(name)
        return self.with_value(name, before.values[name], before.kinds.get(name, ""))

    def in_round(self, number: int, of: int) -> Scope:
        """The same inside a loop, in its round `number`."""
        return replace(self, rounds=(*self.rounds, (number, of)))

    def prompt(self, text: str) -> str:
        """A question as it is put here: first of all which round of the loops around it this is."""
        told = ", ".join(f"{number} of {of}" for number, of in self.rounds if of > 1)
        return f"Round {told}: {text}" if told else text

    def look_up(self, reference: Reference) -> Any:
        """The value that a reference stands for. Raises Refused('unknown_name')."""
        if reference.name not in self.values:
            known = ", ".join(self.values) or "none"
            raise Refused("unknown_name", f"{reference} names nothing here.", advice=f"Known names: {known}.")
        value = self.values[reference.name]
        if reference.key is None:
            return value
        kind = self.kinds.get(reference.name, "")
        if reference.key not in FACTS.get(kind, ()):
            may = ", ".join(FACTS.get(kind, ())) or "none"
            raise Refused("unknown_name", f"{reference}: a {kind or 'value'} has no such key.", advice=f"Keys: {may}.")
        if value is None:
            raise Refused("bad_request", f"{reference}: {reference.name} was not given.")
        return value[reference.key] if kind == "measured" else self.facts(kind, value)[reference.key]


def resolve(step: Step, scope: Scope) -> Step:
    """The step with every name of its own arguments replaced by the value; steps held inside stay as they are.

    Raises Refused: `unknown_name` for a name that stands for nothing, `bad_request` where a value may not stand.
    """
    try:
        return written_out(step, scope)
    except ValidationError as error:
        # That a name might stand there is of no help any more: one stood there.
        errors = error.errors(include_url=False)
        first = next((one for one in errors if one["type"] != "reference"), errors[0])
        key = ".".join(str(part) for part in first["loc"] if isinstance(part, int) or part.isidentifier())
        text = f"The step {step.verb} cannot have {key} = {str(first['input'])[:60]}."
        raise Refused("bad_request", text, advice=f"It may be {what_may_stand(first)}.") from error


def written_out(step: Step, scope: Scope) -> Step:
    """As `resolve`, raising pydantic's ValidationError for a value that may not stand."""
    held = {"then", "else_", "steps"} & set(type(step).model_fields)
    dumped = step.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude=held)
    # What is put in is not looked at again: a name that somebody typed as an answer stays text.
    filled = _put_in(dumped, scope)
    if isinstance(step, AskStep):
        filled["ask"]["text"] = scope.prompt(put_into(step.ask.text, scope.look_up))
    text = json.dumps(filled | {name.rstrip("_"): [] for name in held})
    whole = type(step).model_validate_json(text, strict=True, context=WRITTEN_OUT)
    return whole.model_copy(update={name: getattr(step, name) for name in held})


def _put_in(part: Any, scope: Scope) -> Any:
    if isinstance(part, dict):
        return {key: _put_in(value, scope) for key, value in part.items()}
    if isinstance(part, list):
        return [_put_in(value, scope) for value in part]
    reference = Reference.parse(part) if isinstance(part, str) else None
    return part if reference is None else scope.look_up(reference)


def times(step: RepeatStep, scope: Scope) -> list[Turn]:
    """The turns of a loop of so many. Raises Refused as `resolve`."""
    count = resolve(step, scope).args
    assert isinstance(count, int)
    return [partial(Scope.in_round, number=number, of=count) for number in range(1, count + 1)]


def listed(step: ForStep, scope: Scope) -> list[Turn]:
    """The turns of a loop over values. Raises Refused as `resolve`."""
    each = resolve(step, scope).args.given()
    kinds = [_kind_of(step.for_.in_, index, value, scope) for index, value in enumerate(each["in"])]

    def turn(around: Scope, number: int, value: Any, kind: str) -> Scope:
        return around.with_value(each["each"], value, kind).in_round(number, len(kinds))

    turns = enumerate(zip(each["in"], kinds, strict=True), 1)
    return [partial(turn, number=number, value=value, kind=kind) for number, (value, kind) in turns]


def _kind_of(over: Any, index: int, value: Any, scope: Scope) -> str:
    """The kind of one value of a loop; a list's is written 'list of adapter' (see `inputs.kind_of`)."""
    if isinstance(over, Reference):
        return scope.kinds.get(over.name, "").removeprefix("list of ")
    one = over[index]
    if isinstance(one, Reference):
        return scope.kinds.get(one.name, "") if one.key is None else "number"
    if isinstance(value, str):
        return "text"
    return "measured" if isinstance(value, Mapping) else "number"


def holds(condition: Condition, findings: Mapping[str, Mapping[str, Any]], scope: Scope) -> bool:
    """Whether a condition holds, its values put in already (`resolve`).

    `findings`: the last finding document of each assessment of this run. What is null is neither above nor below
    anything. Raises BenchdError (`bad_request`) where there is no such finding, key or answer, or no number.
    """
    stands = _subject(condition, findings, scope)
    if "is_" in condition.model_fields_set:
        wanted = condition.is_
        # true is not 1: a condition on an answer yes would else hold for a number.
        return stands == wanted and isinstance(stands, bool) == isinstance(wanted, bool)
    if stands is None:
        return False
    if isinstance(stands, bool) or not isinstance(stands, int | float):
        raise BenchdError("bad_request", f"The condition '{condition}' needs a number; {stands!r} stands there.")
    limit = condition.above if condition.above is not None else condition.below
    assert isinstance(limit, int | float)
    return stands > limit if condition.above is not None else stands < limit


def _subject(condition: Condition, findings: Mapping[str, Mapping[str, Any]], scope: Scope) -> Any:
    if condition.answer is not None:
        return scope.look_up(Reference(condition.answer))
    assert condition.finding is not None
    assert condition.key is not None
    if condition.finding not in findings:
        raise BenchdError("bad_request", f"The condition '{condition}' comes before any finding {condition.finding}.")
    part: Any = findings[condition.finding]
    for key in condition.key.split("."):
        if part is None:
            # A relative finding has no verdict: what it says of it is null.
            return None
        if not isinstance(part, Mapping) or key not in part:
            raise BenchdError("bad_request", f"The finding {condition.finding} has no {condition.key}.")
        part = part[key]
    return part
