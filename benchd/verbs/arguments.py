"""The base model of verb arguments: strict; unknown keys, other types and numbers that are not finite are refused.

Lengths along the axis in um, lens dimensions in mm, light in nm, temperatures in degrees Celsius, times in s.
"""

from __future__ import annotations

from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from benchd.files.names import Code, Name

ModelT = TypeVar("ModelT", bound=BaseModel)

__all__ = ["Args", "Code", "LiteralOnly", "Name", "Nothing", "Text", "exactly_one"]

Text = Annotated[str, Field(min_length=1, max_length=2000)]


class LiteralOnly:
    """Marks a value that a step must state literally, never as `${name}`: other steps refer to it."""


class Args(BaseModel):
    """The root of all arguments."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)

    def given(self) -> dict[str, Any]:
        """What was named, nulls included, as JSON values; what was left out is left out."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True)


class Nothing(Args):
    """No arguments."""


def exactly_one(model: ModelT, *names: str) -> ModelT:
    """Raises ValueError unless exactly one of these is given."""
    given = [name for name in names if getattr(model, name) is not None]
    if len(given) != 1:
        raise ValueError(f"exactly one of {', '.join(names)}; {len(given)} were given")
    return model
