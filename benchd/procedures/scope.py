"""Substitution of values for names, once and keeping their type; evaluation of conditions on findings and answers."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial, reduce
from operator import getitem
from typing import Any

from pydantic import ValidationError

from benchd.errors import BenchdError, Refused
from benchd.files.wording import what_may_stand
from benchd.procedures.arguments import Condition
from benchd.procedures.inputs import FACTS, LEFT_OUT
from benchd.procedures.steps import AskStep, ForStep, RepeatStep, Step
from benchd.procedures.values import SUBSTITUTED, Reference, substitute_in_text

Facts = Callable[[str, str], Mapping[str, Any]]
"""Present figures of a record by its kind and id, with the keys of `FACTS`. Raises Refused('unknown_name')."""


Turn = Callable[["Scope"], "Scope"]
"""The scope inside one turn of a loop, from the one around it."""


def no_facts(kind: str, name: str) -> Mapping[str, Any]:
    """No figures of any record."""
    raise Refused("unknown_name", f"Nothing is known here of {kind} {name}.")


@dataclass(frozen=True, slots=True)
class Scope:
    """Values of names at one point of a run: inputs, loop variables, saved answers; `kinds` are their types.

    `rounds` are those of the loops around it, outermost first: number and count.
    """

    values: Mapping[str, Any] = field(default_factory=dict)
    kinds: Mapping[str, str] = field(default_factory=dict)
    facts: Facts = no_facts
    rounds: tuple[tuple[int, int], ...] = ()

    def with_value(self, name: str, value: Any, kind: str) -> Scope:
        """A copy with this name added or replaced."""
        return replace(self, values={**self.values, name: value}, kinds={**self.kinds, name: kind})

    def without(self, name: str) -> Scope:
        """A copy without a value for this name."""
        return replace(self, values={key: value for key, value in self.values.items() if key != name})

    def restoring(self, name: str, before: Scope) -> Scope:
        """A copy in which the name has its value of `before` again, or none."""
        if name not in before.values:
            return self.without(name)
        return self.with_value(name, before.values[name], before.kinds.get(name, ""))

    def in_round(self, number: int, count: int) -> Scope:
        """A copy inside a loop, in round `number` of `count`."""
        return replace(self, rounds=(*self.rounds, (number, count)))

    def prompt(self, text: str) -> str:
        """The text of a question, with the rounds of the loops around it in front."""
        rounds = ", ".join(f"{number} of {count}" for number, count in self.rounds if count > 1)
        return f"Round {rounds}: {text}" if rounds else text

    def look_up(self, reference: Reference) -> Any:
        """The value of a reference. Raises Refused (unknown_name, bad_request)."""
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
        if value is None or value is LEFT_OUT:
            raise Refused("bad_request", f"{reference}: {reference.name} was not given.")
        return value[reference.key] if kind == "measured" else self.facts(kind, value)[reference.key]


def resolve(step: Step, scope: Scope) -> Step:
    """The step with every name in its own arguments replaced by its value; nested steps are left as they are.

    Raises Refused: `unknown_name` for an undefined name, `bad_request` for a value that is not allowed there.
    """
    try:
        return substituted(step, scope)
    except ValidationError as error:
        # "It may be a name" would not help here: the file does give a name.
        errors = error.errors(include_url=False)
        first = next((detail for detail in errors if detail["type"] != "reference"), errors[0])
        key = ".".join(str(part) for part in first["loc"] if isinstance(part, int) or part.isidentifier())
        text = f"The step {step.verb} cannot have {key} = {str(first['input'])[:60]}."
        raise Refused("bad_request", text, advice=f"It may be {what_may_stand(first)}.") from error


def substituted(step: Step, scope: Scope) -> Step:
    """As `resolve`, raising pydantic's ValidationError for a value that is not allowed."""
    held = {"then", "else_", "steps"} & set(type(step).model_fields)
    dumped = step.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude=held)
    # Substituted values are not searched for names again: `${..}` typed as an answer stays text.
    filled = _substitute(dumped, scope)
    if isinstance(step, AskStep):
        for (*above, key), text in step.ask.texts():
            reduce(getitem, above, filled["ask"])[key] = substitute_in_text(text, scope.look_up)
    text = json.dumps(filled | {name.rstrip("_"): [] for name in held})
    whole = type(step).model_validate_json(text, strict=True, context=SUBSTITUTED)
    return whole.model_copy(update={name: getattr(step, name) for name in held})


def _substitute(part: Any, scope: Scope) -> Any:
    if isinstance(part, dict):
        filled = {key: _substitute(value, scope) for key, value in part.items()}
        return {key: value for key, value in filled.items() if value is not LEFT_OUT}
    if isinstance(part, list):
        return [value for value in (_substitute(item, scope) for item in part) if value is not LEFT_OUT]
    reference = Reference.parse(part) if isinstance(part, str) else None
    return part if reference is None else scope.look_up(reference)


def turns_by_count(step: RepeatStep, scope: Scope) -> list[Turn]:
    """The turns of a `repeat` loop. Raises Refused as `resolve`."""
    count = resolve(step, scope).args
    assert isinstance(count, int)
    return [partial(Scope.in_round, number=number, count=count) for number in range(1, count + 1)]


def turns_over_values(step: ForStep, scope: Scope) -> list[Turn]:
    """The turns of a `for` loop over values. Raises Refused as `resolve`."""
    each = resolve(step, scope).args.given()
    kinds = [_kind_of(step.for_.in_, index, value, scope) for index, value in enumerate(each["in"])]

    def turn(around: Scope, number: int, value: Any, kind: str) -> Scope:
        return around.with_value(each["each"], value, kind).in_round(number, len(kinds))

    turns = enumerate(zip(each["in"], kinds, strict=True), 1)
    return [partial(turn, number=number, value=value, kind=kind) for number, (value, kind) in turns]


def resolved_until(step: RepeatStep, scope: Scope) -> Condition:
    """The condition that ends a loop early, its names substituted. Raises Refused as `resolve`."""
    resolved = resolve(step, scope)
    assert isinstance(resolved, RepeatStep)
    assert resolved.until is not None
    return resolved.until


def _kind_of(over: Any, index: int, value: Any, scope: Scope) -> str:
    """The kind of one value of a loop; a list's is written 'list of adapter' (see `inputs.kind_of`)."""
    if isinstance(over, Reference):
        return scope.kinds.get(over.name, "").removeprefix("list of ")
    stated = over[index]
    if isinstance(stated, Reference):
        return scope.kinds.get(stated.name, "") if stated.key is None else "number"
    if isinstance(value, str):
        return "text"
    return "measured" if isinstance(value, Mapping) else "number"


def holds(condition: Condition, findings: Mapping[str, Mapping[str, Any]], scope: Scope) -> bool:
    """Whether a condition holds, its names already substituted (`resolve`).

    `findings`: the last finding document of each assessment of this run. Null is neither above nor below anything.
    Raises BenchdError (`bad_request`) if there is no such finding, key or answer, or no number.
    """
    value = _subject(condition, findings, scope)
    if "is_" in condition.model_fields_set:
        wanted = condition.is_
        # True == 1 in Python; without this a condition on an answer yes would hold for the number 1.
        return value == wanted and isinstance(value, bool) == isinstance(wanted, bool)
    if value is None:
        return False
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BenchdError("bad_request", f"The condition '{condition}' needs a number; {value!r} stands there.")
    limit = condition.above if condition.above is not None else condition.below
    assert isinstance(limit, int | float)
    return value > limit if condition.above is not None else value < limit


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
            return None  # a relative finding has a null verdict, so its keys are null as well
        if not isinstance(part, Mapping) or key not in part:
            raise BenchdError("bad_request", f"The finding {condition.finding} has no {condition.key}.")
        part = part[key]
    return part
