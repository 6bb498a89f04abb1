"""Units at the edges: what people write (`10 um`, `0.4 mm`, `2 ft 6 in`, `2' 6"`) and RFC 3339 times.

The text is checked before the units library sees it, which would evaluate `9**9**9 um`, read `1,5 mm` as 15 mm and
accept `nan um`; it only gets the unit. Inside benchd a number's unit is in its name.
"""

from __future__ import annotations

import calendar
import math
import re
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Literal

from benchd.errors import Refused

if TYPE_CHECKING:
    from pint import UnitRegistry

MAX_CHARACTERS = 64

LengthUnit = Literal["nm", "um", "mm", "m"]

_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d{1,2})?"
_UNIT = r"(?:[A-Za-zµμ]{1,12}|[°'\"′″])"
_PART = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})", re.ASCII)
_WHOLE = re.compile(rf"\s*([-+]?)((?:\s*{_NUMBER}\s*{_UNIT})+)\s*", re.ASCII)
_SIGNS = {"'": "ft", "′": "ft", '"': "in", "″": "in"}
_ALLOWED = "nm, um, mm, cm, m, thou, in, ft"
_RFC_3339 = re.compile(
    r"(\d{4})-(\d{2})-(\d{2})[Tt](\d{2}):(\d{2}):(\d{2})(\.\d+)?(?:[Zz]|([-+])(\d{2}):(\d{2}))", re.ASCII
)


def length(text: str, unit: LengthUnit = "um", *, low: float = -math.inf, high: float = math.inf) -> float:
    """A written length in `unit`; `low` and `high` are in the same unit. Raises Refused('bad_request')."""
    return _within(text, _sum(text, unit), unit, low, high)


def utc_seconds(text: str) -> float:
    """Seconds since 1970-01-01T00:00:00Z of an RFC 3339 time; a leap second counts as the second after it.

    Follows the grammar of RFC 3339, 5.6: date, `T`, full time, zone; nothing of ISO 8601 beyond it. Precision is
    that of a float (some 0.2 us today). Raises Refused('bad_request').
    """
    found = _RFC_3339.fullmatch(text) if len(text) <= MAX_CHARACTERS else None
    if found is None:
        raise _no_time(text)
    year, month, day, hour, minute, second = (int(found[index]) for index in range(1, 7))
    fraction = float(found[7] or 0.0)
    zone = timedelta()
    if found[8]:
        if int(found[9]) > 23 or int(found[10]) > 59:
            raise _no_time(text)
        zone = timedelta(hours=int(found[9]), minutes=int(found[10])) * (-1 if found[8] == "-" else 1)
    leap = second == 60
    try:
        at = datetime(year, month, day, hour, minute, 59 if leap else second, tzinfo=UTC) - zone
    except (ValueError, OverflowError) as error:
        raise _no_time(text) from error
    if leap and not _may_leap(at):
        raise _no_time(text)
    whole = calendar.timegm(at.utctimetuple())
    return whole + (1.0 if leap else 0.0) + fraction


def _may_leap(at: datetime) -> bool:
    # Leap seconds are inserted at the end of a month, UTC (ITU-R TF.460).
    return (at.hour, at.minute) == (23, 59) and at.day == calendar.monthrange(at.year, at.month)[1]


def _no_time(text: str) -> Refused:
    return Refused(
        "bad_request",
        f"'{text[:MAX_CHARACTERS]}' is no time.",
        advice="Write it as 2031-04-05T09:12:44Z or 2031-04-05T11:12:44.120+02:00.",
    )


def _sum(text: str, unit: str) -> float:
    sign, parts = _gate(text)
    registry = _registry()
    total, smaller_than = 0.0, math.inf
    for index, (number, name) in enumerate(parts):
        found = _unit(text, name)
        size = float(registry.Quantity(1.0, found).to(unit).magnitude)
        if size >= smaller_than:
            raise _refused(text, "Write larger units first, each once: 2 ft 6 in.")
        if index < len(parts) - 1 and number != int(number):
            raise _refused(text, "Only the last number may have a fraction: 2 ft 6.5 in.")
        smaller_than = size
        total += number * size
    return sign * total


def _gate(text: str) -> tuple[float, list[tuple[float, str]]]:
    """The sign and the (number, unit) pairs of a text that contains nothing else. Raises Refused."""
    if "," in text:
        raise _refused(text, "Write a decimal point, not a comma.")
    whole = _WHOLE.fullmatch(text) if len(text) <= MAX_CHARACTERS else None
    if whole is None:
        raise _refused(text, f"Write a number and its unit ({_ALLOWED}), for instance 10 um or 2 ft 6 in.")
    parts = []
    for number, name in _PART.findall(whole[2]):
        plain = _SIGNS.get(name, name).replace("µ", "u").replace("μ", "u")
        parts.append((float(number), plain))
    return (-1.0 if whole[1] == "-" else 1.0), parts


def _unit(text: str, name: str) -> Any:
    from pint.errors import PintError

    registry = _registry()
    try:
        unit = registry.parse_units(name)
    except (PintError, ValueError, TypeError, AttributeError) as error:
        raise _refused(text, f"'{name}' is no unit here; known are {_ALLOWED}.") from error
    if not unit.is_compatible_with("metre"):
        raise _refused(text, f"'{name}' is the wrong kind of unit here; known are {_ALLOWED}.")
    return unit


def converted(value: float, unit: str, to: str) -> float:
    """A number of one unit in another. Raises Refused('bad_request') where it is no unit here, or another quantity.

    No unit at all is no angle, which the units library takes it for.
    """
    from pint.errors import PintError

    registry = _registry()
    plain = unit.replace("\u00b0C", "degC").replace("\u00b0", "deg").replace("\u00b5", "u").replace("\u03bc", "u")
    try:
        if not plain.isalpha():
            raise ValueError(plain)
        return float(registry.Quantity(value, plain).to(to).magnitude)
    except (PintError, ValueError, TypeError, AttributeError) as error:
        raise Refused("bad_request", f"'{unit}' is no unit that becomes {to}.") from error


def printed_unit(unit: str) -> str:
    """A unit as printed for a person (µm); keys and typed values use `um`."""
    return f"\u00b5{unit[1:]}" if unit.startswith("um") else unit


def _within(text: str, value: float, unit: str, low: float, high: float) -> float:
    if not math.isfinite(value):
        raise _refused(text, "The number is too large.")
    if not low <= value <= high:
        raise _refused(text, f"It must lie between {low:g} and {high:g} {printed_unit(unit)}.")
    return value


def _refused(text: str, advice: str) -> Refused:
    return Refused("bad_request", f"'{text[:MAX_CHARACTERS]}' cannot be read as a quantity.", advice=advice)


@cache
def _registry() -> UnitRegistry[Any]:
    # Built once from constants and never changed afterwards; the library takes a tenth of a second to load.
    from pint import UnitRegistry

    registry: UnitRegistry[Any] = UnitRegistry(None, autoconvert_offset_to_baseunit=False)
    registry.load_definitions((files("benchd") / "quantities_units.txt").read_text("utf-8").splitlines())
    return registry
