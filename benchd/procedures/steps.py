"""The steps: one key each. A step knows its `verb` and its `args`; `if`, `repeat` and `for` hold other steps."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, ClassVar

from pydantic import Discriminator, Field, Tag

from benchd.files.names import Record
from benchd.files.wording import near_names
from benchd.procedures.arguments import (
    Accept,
    Ask,
    Assess,
    Call,
    Camera,
    Condition,
    Each,
    Home,
    Light,
    Move,
    Nominal,
    Read,
    Setup,
    Sweep,
    Wait,
)
from benchd.procedures.values import Reference


class Step(Record):
    """One step. `verb` is its key in the file, `args` what stands there."""

    verb: ClassVar[str]

    @property
    def args(self) -> Any:
        """What stands under the step's key."""
        name = self.verb if self.verb in type(self).model_fields else f"{self.verb}_"
        return getattr(self, name)


class HomeStep(Step):
    verb = "home"
    home: Home


class SetupStep(Step):
    verb = "setup"
    setup: Setup


class AskStep(Step):
    verb = "ask"
    ask: Ask


class NominalStep(Step):
    verb = "nominal"
    nominal: Nominal


class LightStep(Step):
    verb = "light"
    light: Light


class MoveStep(Step):
    verb = "move"
    move: Move


class ReadStep(Step):
    verb = "read"
    read: Read


class CameraStep(Step):
    verb = "camera"
    camera: Camera


class SweepStep(Step):
    verb = "sweep"
    sweep: Sweep


class AssessStep(Step):
    verb = "assess"
    assess: Assess


class CallStep(Step):
    verb = "call"
    call: Call


class WaitStep(Step):
    verb = "wait"
    wait: Wait


class AcceptStep(Step):
    verb = "accept"
    accept: Accept


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


_MODELS = (
    HomeStep, SetupStep, AskStep, NominalStep, LightStep, MoveStep, ReadStep, CameraStep, SweepStep, AssessStep,
    IfStep, RepeatStep, ForStep, CallStep, WaitStep, AcceptStep,
)  # fmt: skip
VERBS: tuple[str, ...] = tuple(model.verb for model in _MODELS)
_KEYS = {model.verb: tuple(field.alias or name for name, field in model.model_fields.items()) for model in _MODELS}


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
AnyStep = Annotated[
    Annotated[HomeStep, Tag("step home")]
    | Annotated[SetupStep, Tag("step setup")]
    | Annotated[AskStep, Tag("step ask")]
    | Annotated[NominalStep, Tag("step nominal")]
    | Annotated[LightStep, Tag("step light")]
    | Annotated[MoveStep, Tag("step move")]
    | Annotated[ReadStep, Tag("step read")]
    | Annotated[CameraStep, Tag("step camera")]
    | Annotated[SweepStep, Tag("step sweep")]
    | Annotated[AssessStep, Tag("step assess")]
    | Annotated[IfStep, Tag("step if")]
    | Annotated[RepeatStep, Tag("step repeat")]
    | Annotated[ForStep, Tag("step for")]
    | Annotated[CallStep, Tag("step call")]
    | Annotated[WaitStep, Tag("step wait")]
    | Annotated[AcceptStep, Tag("step accept")],
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
