"""Values in a procedure file: literal, or by name as `${name}` or `${name.key}`, which keeps their type.

In the text of a question a name is replaced by its value as text.
"""

from __future__ import annotations

import re
import types
from collections.abc import Callable, Iterator, Sequence
from copy import copy
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    ValidationInfo,
    create_model,
)
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from benchd.verbs.arguments import LiteralOnly
from benchd.verbs.entry import plain_text

_REFERENCE = re.compile(r"\$\{([a-z][a-z0-9_]{0,31})((?:\.[A-Za-z][A-Za-z0-9_]{0,31})?)\}")
SUBSTITUTED = {"substituted": True}
"""Validation context after substitution: names are no longer accepted as values."""
BY_NAME: Final = "a value by name, such as ${lens}"


@dataclass(frozen=True, slots=True)
class Reference:
    """A value by name: an input, a loop's variable or a saved answer, or one `key` of it."""

    name: str
    key: str | None = None

    def __str__(self) -> str:
        return f"${{{self.name}{'.' + self.key if self.key else ''}}}"

    @classmethod
    def parse(cls, text: str) -> Reference | None:
        """The reference that the whole of `text` is, or None."""
        found = _REFERENCE.fullmatch(text)
        return cls.from_match(found) if found else None

    @classmethod
    def from_match(cls, found: re.Match[str]) -> Reference:
        """The reference that `_REFERENCE` matched in a text."""
        return cls(found[1], found[2][1:] or None)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: type[Any], handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_plain_validator_function(
            cls._validate, serialization=core_schema.to_string_ser_schema()
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, _: CoreSchema, __: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^{_REFERENCE.pattern}$", "description": BY_NAME}

    @classmethod
    def _validate(cls, value: object, info: ValidationInfo) -> Reference:
        # Text typed by a person is never taken for a name, even if it looks like one.
        if not (info.context or {}).get("substituted"):
            if isinstance(value, cls):
                return value
            reference = cls.parse(value) if isinstance(value, str) else None
            if reference is not None:
                return reference
        raise PydanticCustomError("reference", BY_NAME)


def whole_values_only(text: str, info: ValidationInfo) -> str:
    """Text without references. Raises ValueError."""
    if "${" in text and not (info.context or {}).get("substituted"):
        raise ValueError("text; ${..} stands for a whole value and is not replaced inside a text")
    return text


def names_in(text: str) -> Iterator[Reference]:
    """The references inside a text."""
    return (Reference.from_match(found) for found in _REFERENCE.finditer(text))


def substitute_in_text(text: str, look_up: Callable[[Reference], Any]) -> str:
    """The text with names replaced by values as a person reads them; inserted values are not searched for names."""
    return _REFERENCE.sub(lambda found: plain_text(look_up(Reference.from_match(found))), text)


def _names_only(text: str, info: ValidationInfo) -> str:
    if (info.context or {}).get("substituted"):
        return text
    if text.count("${") != len(list(names_in(text))):
        raise ValueError("text; ${..} in it names a value, such as ${lens}")
    if len(text) > LONGEST:
        raise ValueError(f"text of at most {LONGEST} characters")
    return text


def _read_out(value: Any, info: ValidationInfo) -> Any:
    """After substitution a number is accepted, and becomes text."""
    return plain_text(value) if (info.context or {}).get("substituted") and isinstance(value, int | float) else value


LONGEST = 1000
Sentence = Annotated[str, Field(min_length=1), AfterValidator(_names_only)]
"""Text for a person, in which values may be given by name."""
Words = Annotated[str, Field(min_length=1, max_length=LONGEST), AfterValidator(whole_values_only)]
ReadOut = Annotated[Reference | Words, Field(union_mode="left_to_right"), BeforeValidator(_read_out)]
"""Text, or a value by name that is read out to a person."""
Text = Annotated[Reference | Words, Field(union_mode="left_to_right")]
Number = float | Reference


@cache
def allow_references(model: type[BaseModel]) -> type[BaseModel]:
    """The same model, in which any value may be a `Reference`, except those marked `LiteralOnly`."""
    fields: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        if is_literal_only(field.annotation, field.metadata):
            continue
        bare = copy(field)  # keeps default, alias and description; constraints go with the value's type
        bare.metadata = []
        literal = _annotated(field.annotation, field.metadata)
        fields[name] = (Union[literal, Reference], bare)  # noqa: UP007  of what is known at run time only
    made = create_model(f"{model.__name__}ByName", __base__=model, __doc__=model.__doc__, **fields)
    made.__module__ = __name__
    return made


def is_literal_only(kind: Any, holds: Sequence[Any] = ()) -> bool:
    """Whether a value of this type, with these constraints, must be literal, never by name."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return is_literal_only(parts[0], (*parts[1:], *holds))
    if any(isinstance(constraint, LiteralOnly) for constraint in holds):
        return True
    return origin in (Union, types.UnionType) and any(is_literal_only(part) for part in parts)


def _allowing_references(kind: Any) -> Any:
    """A type whose parts may be given by name."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return _annotated(parts[0], parts[1:])
    if origin in (Union, types.UnionType):
        return Union[tuple(_allowing_references(part) for part in parts)]  # noqa: UP007
    if origin is list:
        return list[Union[_allowing_references(parts[0]), Reference]]  # type: ignore[misc]  # noqa: UP007
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return allow_references(kind)
    if kind is str:
        return _annotated(str, ())
    if kind in (bool, int, float, type(None)) or origin in (Literal, dict):
        return kind
    raise TypeError(f"a step cannot be derived from a value of the kind {kind}")


def _annotated(kind: Any, holds: Sequence[Any]) -> Any:
    """A type with its constraints; text moreover must not contain references."""
    if kind is str:
        return Annotated[(str, *holds, AfterValidator(whole_values_only))]
    return Annotated[(_allowing_references(kind), *holds)] if holds else _allowing_references(kind)
