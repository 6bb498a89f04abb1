"""Arguments of the steps of the language itself: questions, conditions, loops, calls. Values may be given by name."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationInfo, model_validator

from benchd.devices.values import AskKind
from benchd.errors import Refused
from benchd.files.names import Identifier, Name, Record
from benchd.procedures.values import Number, ReadOut, Reference, Sentence, Text, Words
from benchd.quantities import printed_unit

RingRole = Literal["focus_ring", "iris_ring"]
_JOINED: dict[RingRole, str] = {
    "focus_ring": "focus ring joined to its motor as for its marks",
    "iris_ring": "iris ring joined to its motor as for its marks",
}


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

    `by_hand` says what a person has to see to where no axis turns that ring of the lens in the set-up: it is added to
    the text of a `confirm`, ahead of its question mark. With a text they see to it there that the ring and its motor
    are joined: an axis knows its motor's angle alone. Without one it is not asked at all where axes turn them, and
    there is no answer to `save`.

    `about` (a value or a list of them) is said after the text; `save` keeps the answer under a name. With `keep` a
    number, which needs its `unit`, is kept with the run as a reading of that name, for what is read by eye. A number
    below `min` or above `max` is refused with that range, and the question stays open.
    """

    name: Identifier | None = None
    kind: AskKind
    text: Sentence | None = None
    by_hand: dict[RingRole, Sentence] = Field(default_factory=dict)
    about: tuple[ReadOut, ...] | Reference | ReadOut | None = None
    choices: Annotated[tuple[str, ...], Field(max_length=16)] = ()
    unit: str | None = None
    min: Number | None = None
    max: Number | None = None
    save: Identifier | None = None
    keep: Identifier | None = None

    def prompt(self, turned: Collection[str] = ()) -> str:
        """The text, what is left to hands where axes turn these rings, what it is about, and the range of a number.

        Empty where nothing is left to ask.
        """
        left = [clause for ring, clause in self.by_hand.items() if ring not in turned]
        if self.text is None:
            text = ", ".join(left)
            text = text and f"{text[0].upper()}{text[1:]}?"
        else:
            joined = [_JOINED[ring] for ring in self.by_hand if ring in turned]
            text = ", ".join((self.text.removesuffix("?"), *left, *joined)) + "?" if self.by_hand else self.text
        if not text:
            return ""
        about = [self.about] if isinstance(self.about, str | Reference) else self.about or ()
        of = f" ({', '.join(str(subject) for subject in about)})" if about else ""
        return f"{text}{of}{self._range}"

    def texts(self) -> Iterator[tuple[tuple[str, ...], str]]:
        """What is said to a person and may hold names, each with its place below the step's key."""
        if self.text is not None:
            yield ("text",), self.text
        yield from ((("by_hand", ring), clause) for ring, clause in self.by_hand.items())

    @property
    def _range(self) -> str:
        ends = [(word, end) for word, end in (("from", self.min), ("to", self.max)) if end is not None]
        told = [f"{word} {end:g}" if isinstance(end, float) else f"{word} {end}" for word, end in ends]
        unit = f" {printed_unit(self.unit)}" if self.unit else ""
        return f" [{' '.join(told)}{unit}]" if told else ""

    def bounds(self) -> tuple[float | None, float | None]:
        """Least and most of a number, once they stand in place of their names. Raises Refused('bad_request')."""
        low, high = (None if isinstance(end, Reference) else end for end in (self.min, self.max))
        if low is not None and high is not None and low > high:
            text = f"'{self.text}' would take no number: its least is {low:g}, its most {high:g}."
            raise Refused("bad_request", text, advice="Look at the inputs that these come from.")
        return low, high

    @model_validator(mode="after")
    def _keys_fit_the_kind(self, info: ValidationInfo) -> Self:
        if self.text is None and not self.by_hand:
            raise ValueError("'text', or what a person sees to under 'by_hand'")
        if self.by_hand and self.kind != "confirm":
            raise ValueError("'by_hand' belongs to a confirm")
        if self.by_hand and self.text is not None and not self.text.endswith("?"):
            raise ValueError("text: beside 'by_hand', which goes ahead of its end, one that ends in '?'")
        if self.save is not None and self.text is None:
            raise ValueError("save: nothing here without a 'text', as nobody is asked where axes turn these rings")
        if (self.kind == "choice") != (len(self.choices) >= 2):
            raise ValueError("choices: two or more for a choice, none for another kind")
        if self.unit is not None and self.kind != "number":
            raise ValueError("'unit' belongs to a number")
        if (self.min is not None or self.max is not None) and self.kind != "number":
            raise ValueError("'min' and 'max' belong to a number")
        # Of values by name any two may be tried here: `bounds` refuses those that come to nothing.
        literal = not (info.context or {}).get("substituted")
        if literal and isinstance(self.min, float) and isinstance(self.max, float) and self.min > self.max:
            raise ValueError("max: at least 'min'")
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
