"""Arguments of the steps of the language itself: questions, conditions, loops, calls. Values may be given by name."""

from __future__ import annotations

from typing import Annotated, Any, Self

from pydantic import Field, model_validator

from benchd.devices.values import AskKind
from benchd.files.names import Identifier, Name, Record
from benchd.procedures.values import Number, ReadOut, Reference, Sentence, Text, Words


class Arguments(Record):
    """The arguments of one step."""

    def given(self) -> dict[str, Any]:
        """What the file states, as JSON values; what it leaves out is left out."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True)


class Measured(Arguments):
    """A value with its standard uncertainty."""

    value: Number
    u: Number


class Ask(Arguments):
    """A question to the person. `name` is stable and tells the question to a program that answers.

    In the `text` values may stand by name, `${n}`; in a loop it begins with the round.

    `about` (a value or a list of them) is said after the text; `save` keeps the answer under a name. With `keep` a
    number, which needs its `unit`, is kept with the run as a reading of that name, for what is read by eye.
    """

    name: Identifier | None = None
    kind: AskKind
    text: Sentence
    about: tuple[ReadOut, ...] | Reference | ReadOut | None = None
    choices: Annotated[tuple[str, ...], Field(max_length=16)] = ()
    unit: str | None = None
    save: Identifier | None = None
    keep: Identifier | None = None

    @property
    def prompt(self) -> str:
        """The text, followed by what the question is about."""
        if self.about is None or self.about == ():
            return self.text
        about = [self.about] if isinstance(self.about, str | Reference) else self.about
        return f"{self.text} ({', '.join(str(subject) for subject in about)})"

    @model_validator(mode="after")
    def _keys_fit_the_kind(self) -> Self:
        if (self.kind == "choice") != (len(self.choices) >= 2):
            raise ValueError("choices: two or more for a choice, none for another kind")
        if self.unit is not None and self.kind != "number":
            raise ValueError("'unit' belongs to a number")
        if self.keep is not None and self.unit is None:
            raise ValueError("'keep' belongs to a number with its 'unit'")
        return self


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
        if sum(test in self.model_fields_set for test in ("is_", "above", "below")) != 1:
            raise ValueError("exactly one of is, above, below")
        return self

    def __str__(self) -> str:
        subject = f"{self.finding} {self.key}" if self.finding else str(self.answer)
        test = next(test for test in ("is_", "above", "below") if test in self.model_fields_set)
        value = getattr(self, test)
        value_text = str(value).lower() if isinstance(value, bool) else "null" if value is None else str(value)
        return f"{subject} {test.strip('_')} {value_text}"


class Each(Arguments):
    """The values over which `for` goes, one after the other, under the name `each`: texts, numbers, measured values."""

    each: Identifier
    in_: tuple[bool | int | float | Measured | Words | Reference, ...] | Reference = Field(alias="in")


class Call(Arguments):
    """Another procedure, with its inputs."""

    procedure: Name
    inputs: dict[Identifier, Any] = Field(default_factory=dict)
