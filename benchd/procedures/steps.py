"""The step models: one key each. A step has its `verb` and `args`; `if`, `repeat` and `for` hold other steps.

Most steps are verbs and take the verb's arguments, with values by name allowed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Union

from pydantic import Discriminator, Field, Tag, create_model

from benchd.files.names import Record
from benchd.files.wording import near_names
from benchd.procedures.arguments import Ask, Call, Condition, Each
from benchd.procedures.values import Reference, allow_references, names_in
from benchd.verbs.table import STEPS


class Step(Record):
    """One step. `verb` is its key in the file, `args` what stands there."""

    verb: ClassVar[str]

    @property
    def args(self) -> Any:
        """The value of the step's key."""
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
    """The steps, so many times; with `until` at most so many, and no more once the condition holds after a turn."""

    verb = "repeat"
    repeat: Annotated[int, Field(ge=0, le=1000)] | Reference
    until: Condition | None = None
    steps: Steps


class ForStep(Step):
    """The steps, once for each listed value."""

    verb = "for"
    for_: Each = Field(alias="for")
    steps: Steps


def _step_model(verb: str) -> type[Step]:
    """The model of the step that carries out this verb."""
    takes = STEPS[verb].step
    assert takes is not None
    fields: dict[str, Any] = {verb: (allow_references(takes), ...)}
    made = create_model(f"{verb.title()}Step", __base__=Step, __doc__=STEPS[verb].does, **fields)
    made.verb = verb
    return made


MODELS: dict[str, type[Step]] = {
    **{verb: _step_model(verb) for verb in STEPS},
    **{model.verb: model for model in (AskStep, IfStep, RepeatStep, ForStep, CallStep)},
}
VERBS: tuple[str, ...] = tuple(MODELS)
_KEYS = {
    verb: tuple(field.alias or name for name, field in model.model_fields.items()) for verb, model in MODELS.items()
}


def _step_tag(value: Any) -> str | None:
    if isinstance(value, Step):
        return f"step {value.verb}"
    verbs = [key for key in value if key in VERBS] if isinstance(value, dict) else []
    if len(verbs) != 1 or any(_is_mistyped_verb(key, verbs[0]) for key in value if key not in VERBS):
        return None
    return f"step {verbs[0]}"


def _is_mistyped_verb(key: str, verb: str) -> bool:
    """Whether `key` is a mistyped second verb, rather than a mistyped key of the step `verb` itself."""
    own = _KEYS[verb]
    near = near_names(key, (*own, *VERBS), 1)
    return bool(near) and near[0] not in own


# The tags contain a blank, so that none is mistaken for a key of the file when an error is located.
_TAGGED = tuple(Annotated[model, Tag(f"step {verb}")] for verb, model in MODELS.items())
if TYPE_CHECKING:
    AnyStep = Step
else:
    AnyStep = Annotated[
        Union[_TAGGED],  # noqa: UP007  of what is known at run time only
        Discriminator(
            _step_tag,
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
    """The steps that a step holds, with their keys; empty for most."""
    if isinstance(step, IfStep):
        return (("then", step.then), ("else", step.else_))
    if isinstance(step, RepeatStep | ForStep):
        return (("steps", step.steps),)
    return ()


def walk(steps: tuple[Step, ...], at: Place) -> Iterator[tuple[Place, Step]]:
    """Every step in file order, nested ones included, with its place in the file."""
    for index, step in enumerate(steps):
        here = (*at, index)
        yield here, step
        for key, body in bodies(step):
            yield from walk(body, (*here, key))


def can_move(step: Step) -> bool:
    """Whether a step, or one nested in it, may move anything; a call may."""
    return any(
        inner.verb == "call" or (inner.verb in STEPS and STEPS[inner.verb].moves(inner.args))
        for _, inner in walk((step,), ())
    )


def safe_steps(steps: Sequence[Step]) -> tuple[Step, ...]:
    """The steps that only make the bench safe (lights), in order and under their conditions."""
    found: list[Step] = []
    for step in steps:
        held = {{"else": "else_"}.get(key, key): safe_steps(body) for key, body in bodies(step)}
        if any(held.values()):
            found.append(step.model_copy(update=held))
        elif step.verb in STEPS and STEPS[step.verb].makes_safe:
            found.append(step)
    return tuple(found)


def roles_of(step: Step) -> Iterator[str]:
    """The roles and devices that a step uses, except those given by name (`${..}`)."""
    if step.verb in STEPS:
        yield from (name for name in STEPS[step.verb].uses(step.args) if isinstance(name, str))


def references(step: Step) -> Iterator[tuple[Place, Reference]]:
    """The references among a step's own arguments, each with its place below the step."""
    held = {"then", "else_", "steps"}
    yield from _references(step.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude=held), ())
    if isinstance(step, AskStep):
        for at, text in step.ask.texts():
            if Reference.parse(text) is None:
                yield from ((("ask", *at), name) for name in names_in(text))


def _references(part: Any, at: Place) -> Iterator[tuple[Place, Reference]]:
    if isinstance(part, dict | list):
        for key, value in part.items() if isinstance(part, dict) else enumerate(part):
            yield from _references(value, (*at, key))
    elif isinstance(part, str) and (reference := Reference.parse(part)) is not None:
        yield at, reference
