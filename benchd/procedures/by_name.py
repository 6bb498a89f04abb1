"""What a verb takes, with every value given by name as well: `${lens}` where a lens may stand.

Made from the verb's own model, whose subclass it is: what the model checks, and how it says so, stays the model's.
"""

from __future__ import annotations

import types
from collections.abc import Sequence
from copy import copy
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AfterValidator, BaseModel, create_model

from benchd.procedures.values import Reference, whole_values_only
from benchd.verbs.arguments import Outright


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
