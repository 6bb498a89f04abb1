"""The steps: one key each. A step knows its `verb` and its `args`; `if`, `repeat` and `for` hold other steps.

Most are what the verb of their name is, and take what it takes, with values by name.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Union

from pydantic import Discriminator, Field, Tag, create_model

from benchd.files.names import Record
from benchd.files.wording import near_names
from benchd.procedures.arguments import Ask, Call, Condition, Each
from benchd.procedures.values import Reference, by_name, names_in
from benchd.verbs.table import STEPS


class Step(Record):
    """One step. `verb` is its key in the file, `args` what stands there."""

    verb: ClassVar[str]

    @property
    def args(self) -> Any:
        """What stands under the step's key."""
        name = self.verb if self.verb in type(self).model_fields else f"{self.verb}_"
        return getattr(self, name)


class AskStep(Step):
    verb = "ask"
    ask: Ask


class CallStep(Step):
    verb = "call"
    call: Call


class IfStep(Step):
    """`then` where the condition holds, `else` where not."""

    verb = "if"
    if_: Condition = Field(alias="if")
    then: Steps
    else_: Steps = Field(default=(), alias="else")


class RepeatStep(Step):
    """The steps, so many times."""

    verb = "repeat"
    repeat: Annotated[int, Field(ge=0, le=1000)] | Reference
    steps: Steps


class ForStep(Step):
    """The steps, once for each listed value."""

    verb = "for"
    for_: Each = Field(alias="for")
    steps: Steps


def _step_of(verb: str) -> type[Step]:
    """A step that is what the verb of its name is."""
    takes = STEPS[verb].step
    assert takes is not None
    fields: dict[str, Any] = {verb: (by_name(takes), ...)}
    made = create_model(f"{verb.title()}Step", __base__=Step, __doc__=STEPS[verb].does, **fields)
    made.verb = verb
    return made


MODELS: dict[str, type[Step]] = {
    **{verb: _step_of(verb) for verb in STEPS},
    **{model.verb: model for model in (AskStep, IfStep, RepeatStep, ForStep, CallStep)},
}
VERBS: tuple[str, ...] = tuple(MODELS)
_KEYS = {
    verb: tuple(field.alias or name for name, field in model.model_fields.items()) for verb, model in MODELS.items()
}


def _which(value: Any) -> str | None:
    if isinstance(value, Step):
        return f"step {value.verb}"
    verbs = [key for key in value if key in VERBS] if isinstance(value, dict) else []
    if len(verbs) != 1 or any(_is_mistyped_verb(key, verbs[0]) for key in value if key not in VERBS):
        return None
    return f"step {verbs[0]}"


def _is_mistyped_verb(key: str, verb: str) -> bool:
    """Whether a key beside `verb` was meant to be a second one; a key of that step's own that is mistyped was not."""
    own = _KEYS[verb]
    near = near_names(key, (*own, *VERBS), 1)
    return bool(near) and near[0] not in own


# The tags have a blank, so that none of them is taken for a key of the file when an error is put in its place.
_TAGGED = tuple(Annotated[model, Tag(f"step {verb}")] for verb, model in MODELS.items())
if TYPE_CHECKING:
    AnyStep = Step
else:
    AnyStep = Annotated[
        Union[_TAGGED],  # noqa: UP007  of what is known at run time only
        Discriminator(
            _which,
            custom_error_type="step",
            custom_error_message="a step has one key, one of {verbs}",
            custom_error_context={"verbs": ", ".join(VERBS)},
        ),
    ]
Steps = Annotated[tuple[AnyStep, ...], Field(max_length=200)]

IfStep.model_rebuild()
RepeatStep.model_rebuild()
ForStep.model_rebuild()

Place = tuple[str | int, ...]


def bodies(step: Step) -> tuple[tuple[str, tuple[Step, ...]], ...]:
    """The steps that a step holds, by the key under which they stand; none for most."""
    if isinstance(step, IfStep):
        return (("then", step.then), ("else", step.else_))
    if isinstance(step, RepeatStep | ForStep):
        return (("steps", step.steps),)
    return ()


def walk(steps: tuple[Step, ...], at: Place) -> Iterator[tuple[Place, Step]]:
    """Every step in the order of the file, the held ones too, with its place in the file."""
    for index, step in enumerate(steps):
        here = (*at, index)
        yield here, step
        for key, body in bodies(step):
            yield from walk(body, (*here, key))


def can_move(step: Step) -> bool:
    """Whether a step, or one it holds, may move anything; a called procedure may."""
    return any(
        one.verb == "call" or (one.verb in STEPS and STEPS[one.verb].moves(one.args)) for _, one in walk((step,), ())
    )


def makes_safe(steps: Sequence[Step]) -> tuple[Step, ...]:
    """What makes the bench safe among the steps, lights, in its order and under its conditions; nothing else."""
    found: list[Step] = []
    for step in steps:
        held = {{"else": "else_"}.get(key, key): makes_safe(body) for key, body in bodies(step)}
        if any(held.values()):
            found.append(step.model_copy(update=held))
        elif step.verb in STEPS and STEPS[step.verb].makes_safe:
            found.append(step)
    return tuple(found)


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
