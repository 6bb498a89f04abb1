"""Plausible ranges of figures, with a hint if a value looks like one in another unit.

The ranges are wide: they catch a factor of a thousand (mm for um; hardly a foot for a metre), not an unusual bench.
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
    """For `Annotated[float, Within(low, high)]`: a closed interval; `unit` as in the key's name.

    `or_none`: exactly 0 is allowed too. `why` is the reason given for a value below the range.
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
        """The bounds in JSON Schema; other types than numbers are not bounded."""
        ends = {"minimum": self.low, "maximum": self.high}
        return {"anyOf": [{"const": 0.0}, ends]} if self.or_none else ends

    def take(self, value: float) -> float:
        """The value. Raises ValueError saying what is allowed if it lies outside."""
        if not self.holds(value):
            raise ValueError(f"{'0, or ' if self.or_none else ''}a number {self.ends}{self.hint(value)}")
        return value

    def holds(self, value: float) -> bool:
        """Whether the value is allowed."""
        return self.low <= value <= self.high or (self.or_none and value == 0.0)

    @property
    def ends(self) -> str:
        """`from .. to ..`, with the unit."""
        return f"from {self.low:.12g} to {self.high:.12g}{f' {printed_unit(self.unit)}' if self.unit else ''}"

    def hint(self, value: float) -> str:
        """The reason and a hint for a value outside the range."""
        return (f": {self.why}" if self.why and value < self.low else "") + off_by_thousand(value, self)


def off_by_thousand(value: float, within: Within) -> str:
    """A hint if the value times or divided by 1000 lies within the range, else empty."""
    for other in (value * THOUSAND, value / THOUSAND):
        if value and within.low <= other <= within.high:
            return f"; {other:.12g} is meant, a factor of 1000?"
    return ""


def beside(u: float, value: float, key: str, u_key: str, *, most: float = 0.1, least: float = 1e-7) -> None:
    """Raise ValueError naming `u_key` if a standard uncertainty is outside plausible fractions of its value.

    An uncertainty of more than a tenth is probably in another unit, or the figure of another key. None is below 1e-7:
    long gauge blocks by interferometry come near that (common practice, no source).
    """
    within = Within(least * abs(value), most * abs(value))
    hint = off_by_thousand(u, within)
    if u > within.high:
        raise ValueError(f"{u_key}: at most {most:.0%} of {key}, {within.high:g}{hint}")
    if u < within.low:
        raise ValueError(f"{u_key}: at least {least:g} of {key}, {within.low:g}: nothing is known better{hint}")
