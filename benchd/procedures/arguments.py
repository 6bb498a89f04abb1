"""The arguments of the steps: those of the verb of the same name. Any value may be given by name."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from benchd.devices.values import AskKind
from benchd.files.names import Name, Record
from benchd.procedures.values import Flag, Names, Number, ReadOut, Reference, Sentence, Text, Words

Identifier = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")]


class Arguments(Record):
    """The arguments of one step."""

    def given(self) -> dict[str, Any]:
        """What the file states, as JSON values; what it leaves out is left out."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True)


class Home(Arguments):
    """Find the switch, then the reference mark."""

    axes: Names = ("carriage",)
    only_if_unhomed: Flag = False


class RingMark(Arguments):
    """A ring at an engraved mark, as engraved."""

    mark: Number | Literal["inf"]


class Measured(Arguments):
    """A value with its standard uncertainty."""

    value: Number
    u: Number


class Setup(Arguments):
    """Change the set-up: whole values replace, null clears, what is not stated stays. Moves only with `follow`."""

    lens: Text | None = None
    job: Text | None = None
    adapters: Names | None = None
    glass: Names | None = None
    ring: Literal["hard_stop", "infinity", "free"] | RingMark | Reference | None = None
    distance_mm: Number | None = None
    m: Measured | Reference | None = None
    f_number: Number | None = None
    light_nm: Number | None = None
    temperature_C: Number | None = None
    support: Text | None = None
    trim_um: Number | None = None
    follow: Flag = False

    def changes(self) -> dict[str, Any]:
        """What is stated of the set-up itself."""
        return {key: value for key, value in self.given().items() if key != "follow"}


class Ask(Arguments):
    """A question to the person. `name` is stable and tells the question to whoever answers by program.

    In the `text` values may stand by name, `${n}`; in a loop it begins with the round.

    `about` (a value or a list of them) is said after the text; `save` keeps the answer under a name.
    """

    name: Identifier | None = None
    kind: AskKind
    text: Sentence
    about: tuple[ReadOut, ...] | Reference | ReadOut | None = None
    choices: Annotated[tuple[str, ...], Field(max_length=16)] = ()
    unit: str | None = None
    save: Identifier | None = None

    @property
    def prompt(self) -> str:
        """The text as it is put, what it is about said after it."""
        if self.about is None or self.about == ():
            return self.text
        about = [self.about] if isinstance(self.about, str | Reference) else self.about
        return f"{self.text} ({', '.join(str(one) for one in about)})"

    @model_validator(mode="after")
    def _keys_fit_the_kind(self) -> Self:
        if (self.kind == "choice") != (len(self.choices) >= 2):
            raise ValueError("choices: two or more for a choice, none for another kind")
        if self.unit is not None and self.kind != "number":
            raise ValueError("'unit' belongs to a number")
        return self


class Nominal(Arguments):
    """Go where the chain says, trim included."""


class Move(Arguments):
    """Go somewhere: exactly one place is stated."""

    axis: Text = "carriage"
    offset_um: Number | None = None
    depth_um: Number | None = None
    carriage_um: Number | None = None
    by_um: Number | None = None
    to_deg: Number | None = None
    by_deg: Number | None = None

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        places = ("offset_um", "depth_um", "carriage_um", "by_um", "to_deg", "by_deg")
        if sum(getattr(self, place) is not None for place in places) != 1:
            raise ValueError(f"exactly one of {', '.join(places)}")
        return self


class Light(Arguments):
    """Set a light: exactly one of level (0 to 1), stops_by, on.

    After `for_s` it is dark again; the run does not wait for that.
    """

    light: Text = "target_light"
    level: Annotated[float, Field(ge=0, le=1)] | Reference | None = None
    stops_by: Annotated[float, Field(ge=-20, le=20)] | Reference | None = None
    on: Flag | None = None
    for_s: Annotated[float, Field(gt=0, le=86_400)] | Reference | None = None

    @model_validator(mode="after")
    def _one_setting(self) -> Self:
        if sum(one is not None for one in (self.level, self.stops_by, self.on)) != 1:
            raise ValueError("exactly one of level, stops_by, on")
        return self


class Read(Arguments):
    """Take one reading of a device and keep it with the run; `as` tells it from others of the device.

    A gauge that reads nothing, or out of its range, is asked to be seated again, three times before the run fails.
    `moved_from` names an earlier reading of the same gauge, standing where it stood: what it reads more or less since
    then must be what the carriage has moved. Where it is not, the carriage goes back, and both are read again.
    """

    device: Text
    as_: Identifier = Field(default="value", alias="as")
    moved_from: Identifier | None = None


class Camera(Arguments):
    """Set exposure and gain."""

    camera: Text = "detector"
    exposure_ms: Annotated[float, Field(gt=0, le=60_000)] | Reference | None = None
    gain: Annotated[float, Field(gt=0)] | Reference | None = None


class Sweep(Arguments):
    """Readings through focus, about a place or an offset (um); span is end to end, and with the step left to the
    detector and the f-number."""

    about: Literal["nominal", "here"] | Number = "nominal"
    span_um: Annotated[float, Field(gt=0)] | Reference | None = None
    step_um: Annotated[float, Field(gt=0)] | Reference | None = None
    merit: Literal["auto", "edge", "star", "pairs", "meter", "eye"] | Reference = "auto"
    lp_mm: Annotated[float, Field(gt=0)] | Reference | None = None
    repeats: Annotated[int, Field(ge=1, le=100)] | Reference = 1
    mode: Literal["stepped", "continuous"] | Reference = "stepped"


class Assess(Arguments):
    """Make a finding of this run's readings; `of` is the artefact where the set-up does not say it."""

    name: Name
    of: Text | None = None


class Condition(Arguments):
    """A dotted `key` of the last `finding` of that name, or a saved `answer`, against one of is, above, below."""

    finding: Name | None = None
    key: Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*(\.[A-Za-z_][A-Za-z0-9_]*)*$")] | None = None
    answer: Identifier | None = None
    is_: bool | float | Text | None = Field(default=None, alias="is")
    above: Number | None = None
    below: Number | None = None

    @model_validator(mode="after")
    def _one_subject_one_test(self) -> Self:
        if (self.finding is None) == (self.answer is None) or (self.finding is None) != (self.key is None):
            raise ValueError("either 'finding' with its 'key', or 'answer'")
        if sum(one in self.model_fields_set for one in ("is_", "above", "below")) != 1:
            raise ValueError("exactly one of is, above, below")
        return self

    def __str__(self) -> str:
        subject = f"{self.finding} {self.key}" if self.finding else str(self.answer)
        test = next(one for one in ("is_", "above", "below") if one in self.model_fields_set)
        value = getattr(self, test)
        said = str(value).lower() if isinstance(value, bool) else "null" if value is None else str(value)
        return f"{subject} {test.strip('_')} {said}"


class Each(Arguments):
    """The values over which `for` goes, one after the other, under the name `each`: texts, numbers, measured values."""

    each: Identifier
    in_: tuple[bool | int | float | Measured | Words | Reference, ...] | Reference = Field(alias="in")


class Call(Arguments):
    """Another procedure, with its inputs."""

    procedure: Name
    inputs: dict[Identifier, Any] = Field(default_factory=dict)


class Wait(Arguments):
    """Wait, for a lamp or a temperature to settle."""

    for_s: Annotated[float, Field(ge=0, le=36_000)] | Reference


class Accept(Arguments):
    """Put the last finding of that name in force as the calibration, for so many days (null: without end)."""

    finding: Name
    days: Annotated[int, Field(ge=1, le=3650)] | Reference | None = None
