"""What a figure can plausibly be, with a word where it looks like one of another unit.

The bounds are wide: they catch a slip of a thousand (mm for um, a foot for a metre hardly), not an odd bench.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from benchd.quantities import printed_unit

THOUSAND = 1000.0


@dataclass(frozen=True, slots=True)
class Within:
    """For `Annotated[float, Within(low, high)]`: both ends belong to it; `unit` as it stands in the key's name.

    `or_none`: exactly 0 may stand as well, for none of it. `why` is said of what lies below.
    """

    low: float
    high: float
    unit: str = ""
    or_none: bool = False
    why: str = ""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self.take, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return handler(schema) | self.as_schema()

    def as_schema(self) -> JsonSchemaValue:
        """The bounds in JSON Schema; what is no number is not bounded."""
        ends = {"minimum": self.low, "maximum": self.high}
        return {"anyOf": [{"const": 0.0}, ends]} if self.or_none else ends

    def take(self, value: float) -> float:
        """The value. Raises ValueError with what may stand where it lies outside."""
        if not self.holds(value):
            raise ValueError(f"{'0, or ' if self.or_none else ''}a number {self.ends}{self.hint(value)}")
        return value

    def holds(self, value: float) -> bool:
        """Whether it may stand."""
        return self.low <= value <= self.high or (self.or_none and value == 0.0)

    @property
    def ends(self) -> str:
        """`from .. to ..`, with the unit."""
        return f"from {self.low:.12g} to {self.high:.12g}{f' {printed_unit(self.unit)}' if self.unit else ''}"

    def hint(self, value: float) -> str:
        """Why a value that lies outside cannot be, and what it looks like."""
        return (f": {self.why}" if self.why and value < self.low else "") + off_by_thousand(value, self)


def off_by_thousand(value: float, within: Within) -> str:
    """`; a factor of 1000? 50 would be ..` where a thousand times as much or as little lies within."""
    for other in (value * THOUSAND, value / THOUSAND):
        if value and within.low <= other <= within.high:
            return f"; {other:.12g} is meant, a factor of 1000?"
    return ""


def beside(u: float, value: float, key: str, u_key: str, *, most: float = 0.1, least: float = 1e-7) -> None:
    """Raise ValueError naming `u_key` where a standard uncertainty is more, or less, than a share of its value.

    A length known worse than to a tenth is none: what stands there is in another unit, or the figure of another key.
    None is known better than to 1e-7 of it: gauge blocks by interferometry come near that where they are long (common
    practice, no source).
    """
    within = Within(least * abs(value), most * abs(value))
    hint = off_by_thousand(u, within)
    if u > within.high:
        raise ValueError(f"{u_key}: at most {most:.0%} of {key}, {within.high:g}{hint}")
    if u < within.low:
        raise ValueError(f"{u_key}: at least {least:g} of {key}, {within.low:g}: nothing is known better{hint}")
