"""What a figure can plausibly be, with a word where it looks like one of another unit.

The bounds are wide: they catch a slip of a thousand (mm for um, a foot for a metre hardly), not an odd bench.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

THOUSAND = 1000.0


@dataclass(frozen=True, slots=True)
class Within:
    """For `Annotated[float, Within(low, high)]`: both ends belong to it; `unit` as it stands in the key's name.

    `or_none`: exactly 0 may stand as well, for none of it.
    """

    low: float
    high: float
    unit: str = ""
    or_none: bool = False

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self.take, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        ends = {"minimum": self.low, "maximum": self.high}
        return handler(schema) | ({"anyOf": [{"const": 0.0}, ends]} if self.or_none else ends)

    def take(self, value: float) -> float:
        """The value. Raises ValueError with what may stand where it lies outside."""
        if not self.low <= value <= self.high and not (self.or_none and value == 0.0):
            unit = f" {self.unit}" if self.unit else ""
            none = "0, or " if self.or_none else ""
            raise ValueError(
                f"{none}a number from {self.low:.12g} to {self.high:.12g}{unit}{off_by_thousand(value, self)}"
            )
        return value


def off_by_thousand(value: float, within: Within) -> str:
    """`; a factor of 1000? 50 would be ..` where a thousand times as much or as little lies within."""
    for other in (value * THOUSAND, value / THOUSAND):
        if value and within.low <= other <= within.high:
            return f"; {other:.12g} is meant, a factor of 1000?"
    return ""


def small_beside(u: float, value: float, share: float, key: str, u_key: str) -> None:
    """Raise ValueError naming `u_key` where a standard uncertainty is more than a share of its value."""
    most = share * abs(value)
    if u > most:
        meant = f"; {u / THOUSAND:g} is meant, a factor of 1000?" if u / THOUSAND <= most else ""
        raise ValueError(f"{u_key}: at most {share:.0%} of {key}, {most:g}{meant}")
