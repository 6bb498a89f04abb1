"""`key=value` as typed: numbers, lengths with their unit, values with their uncertainty, lists, JSON, text."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from benchd.cli.guard import UsageError

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,3})?", re.ASCII)
_KEY = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)
_WORDS: Mapping[str, Any] = {"true": True, "false": False, "null": None}
_JSON_STARTS = ("{", "[", '"')


def pairs(
    words: Iterable[str],
    *,
    texts: Collection[str] = (),
    lists: Collection[str] = (),
    units: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """The values of `key=value` words. Raises UsageError for a word without `=`, a key given twice, a wrong value.

    `texts` are keys whose value always stays text, `lists` keys whose value is a list (`a,b`, or
    nothing for an empty one), `units` the unit of a key that does not end in it.
    """
    found: dict[str, Any] = {}
    for word in words:
        key, sign, text = word.partition("=")
        if not sign or not _KEY.fullmatch(key):
            raise UsageError(f"'{word}' is no key=value, such as carriage_um=9000")
        if key in found:
            raise UsageError(f"'{key}' is given twice")
        if key in lists and not text.startswith("["):
            found[key] = [item.strip() for item in text.split(",") if item.strip()]
        elif key in texts and not text.startswith('"') and text != "null":
            found[key] = text
        else:
            found[key] = value(text, unit=(units or {}).get(key) or _unit_of(key), key=key)
    return found


def value(text: str, *, unit: str | None = None, key: str = "value") -> Any:
    """One value. With `unit` (um, mm, m) a written length such as `10 um` or `2 ft` is taken in it."""
    text = text.strip()
    if text in _WORDS:
        return _WORDS[text]
    if text.startswith(_JSON_STARTS):
        return _json(text, key)
    if _NUMBER.fullmatch(text):
        return _number(text, key)
    one, plus_minus, u = text.replace("±", "+-").partition("+-")
    if plus_minus and _NUMBER.fullmatch(one.strip()) and _NUMBER.fullmatch(u.strip()):
        return {"value": float(one), "u": float(u)}
    if unit is not None:
        return _length(text, unit, key)
    return text


def _number(text: str, key: str) -> int | float:
    number = float(text)
    if not math.isfinite(number):
        raise UsageError(f"{key}={text}: the number is too large")
    return int(text) if re.fullmatch(r"[-+]?\d+", text) else number


def _json(text: str, key: str) -> Any:
    def refuse(word: str) -> Any:
        raise ValueError(f"{word} is no number")

    try:
        return json.loads(text, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{key}={text[:60]}: no JSON ({error})") from error


def _unit_of(key: str) -> str | None:
    return next((unit for unit in ("um", "mm") if key.endswith(f"_{unit}")), None)


def _length(text: str, unit: Any, key: str) -> float:
    from benchd.errors import BenchdError
    from benchd.quantities import length

    try:
        return length(text, unit)
    except BenchdError as error:
        raise UsageError(f"{key}={text[:60]}: {error.advice or error.text}") from error
