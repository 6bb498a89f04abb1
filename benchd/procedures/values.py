"""Values in a procedure file: written out, or by name as `${name}` or `${name.key}`, which keeps their type.

In the text of a question a name stands for its value in words.
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

from benchd.verbs.arguments import Outright
from benchd.verbs.entry import said

_REFERENCE = re.compile(r"\$\{([a-z][a-z0-9_]{0,31})((?:\.[A-Za-z][A-Za-z0-9_]{0,31})?)\}")
WRITTEN_OUT = {"written_out": True}
"""Validation context in which no name is accepted for a value any more: every one has been put in."""
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
        return cls.of(found) if found else None

    @classmethod
    def of(cls, found: re.Match[str]) -> Reference:
        """The reference that was found in a text."""
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
        # What a person typed is never taken for a name, even where it looks like one.
        if not (info.context or {}).get("written_out"):
            if isinstance(value, cls):
                return value
            reference = cls.parse(value) if isinstance(value, str) else None
            if reference is not None:
                return reference
        raise PydanticCustomError("reference", BY_NAME)


def whole_values_only(text: str, info: ValidationInfo) -> str:
    """Text in which nothing is to be replaced. Raises ValueError."""
    if "${" in text and not (info.context or {}).get("written_out"):
        raise ValueError("text; ${..} stands for a whole value and is not replaced inside a text")
    return text


def names_in(text: str) -> Iterator[Reference]:
    """The values by name inside a text."""
    return (Reference.of(found) for found in _REFERENCE.finditer(text))


def put_into(text: str, look_up: Callable[[Reference], Any]) -> str:
    """The text with the values in place of their names, as a person reads them. What was put in is not looked at."""
    return _REFERENCE.sub(lambda found: said(look_up(Reference.of(found))), text)


def _names_only(text: str, info: ValidationInfo) -> str:
    if (info.context or {}).get("written_out"):
        return text
    if text.count("${") != len(list(names_in(text))):
        raise ValueError("text; ${..} in it names a value, such as ${lens}")
    if len(text) > LONGEST:
        raise ValueError(f"text of at most {LONGEST} characters")
    return text


def _read_out(value: Any, info: ValidationInfo) -> Any:
    """What is told by its name may be a number as well."""
    return said(value) if (info.context or {}).get("written_out") and isinstance(value, int | float) else value


LONGEST = 1000
Sentence = Annotated[str, Field(min_length=1), AfterValidator(_names_only)]
"""Text for a person, in which values may stand by name."""
Words = Annotated[str, Field(min_length=1, max_length=LONGEST), AfterValidator(whole_values_only)]
ReadOut = Annotated[Reference | Words, Field(union_mode="left_to_right"), BeforeValidator(_read_out)]
"""Text, or a value by name that is read out to a person."""
Text = Annotated[Reference | Words, Field(union_mode="left_to_right")]
Number = float | Reference


@cache
def by_name(model: type[BaseModel]) -> type[BaseModel]:
    """The same model, any value of which may be a `Reference`."""
    fields: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        if outright(field.annotation, field.metadata):
            continue
        bare = copy(field)  # its default, alias and words; what holds of the value goes with the value
        bare.metadata = []
        stands = _with(field.annotation, field.metadata)
        fields[name] = (Union[stands, Reference], bare)  # noqa: UP007  of what is known at run time only
    made = create_model(f"{model.__name__}ByName", __base__=model, __doc__=model.__doc__, **fields)
    made.__module__ = __name__
    return made


def outright(kind: Any, holds: Sequence[Any] = ()) -> bool:
    """Whether a value of this kind, of which that holds, stands as it is, and never by name."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return outright(parts[0], (*parts[1:], *holds))
    if any(isinstance(one, Outright) for one in holds):
        return True
    return origin in (Union, types.UnionType) and any(outright(part) for part in parts)


def _opened(kind: Any) -> Any:
    """A kind of value whose parts may be given by name."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return _with(parts[0], parts[1:])
    if origin in (Union, types.UnionType):
        return Union[tuple(_opened(part) for part in parts)]  # noqa: UP007
    if origin is list:
        return list[Union[_opened(parts[0]), Reference]]  # type: ignore[misc]  # noqa: UP007
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return by_name(kind)
    if kind is str:
        return _with(str, ())
    if kind in (bool, int, float, type(None)) or origin in (Literal, dict):
        return kind
    raise TypeError(f"a step cannot be derived from a value of the kind {kind}")


def _with(kind: Any, holds: Sequence[Any]) -> Any:
    """A kind of value of which something holds; text, moreover, in which nothing is to be replaced."""
    if kind is str:
        return Annotated[(str, *holds, AfterValidator(whole_values_only))]
    return Annotated[(_opened(kind), *holds)] if holds else _opened(kind)
