"""What a step uses: roles and devices, and values by name."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from benchd.procedures.steps import AskStep, Place, Step
from benchd.procedures.values import Reference, names_in
from benchd.verbs.table import STEPS


def roles_of(step: Step) -> Iterator[str]:
    """The roles and devices that a step drives, reads or lights, as far as they are written out."""
    if step.verb in STEPS:
        yield from (name for name in STEPS[step.verb].uses(step.args) if isinstance(name, str))


def references(step: Step) -> Iterator[tuple[Place, Reference]]:
    """The values by name among a step's own arguments, each with its place below the step."""
    held = {"then", "else_", "steps"}
    yield from _references(step.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude=held), ())
    if isinstance(step, AskStep) and Reference.parse(step.ask.text) is None:
        yield from ((("ask", "text"), name) for name in names_in(step.ask.text))


def _references(part: Any, at: Place) -> Iterator[tuple[Place, Reference]]:
    if isinstance(part, dict | list):
        for key, value in part.items() if isinstance(part, dict) else enumerate(part):
            yield from _references(value, (*at, key))
    elif isinstance(part, str) and (reference := Reference.parse(part)) is not None:
        yield at, reference
