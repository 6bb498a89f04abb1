"""Strict parsing of JSON from outside: bytes to one plain object, or a refusal.

Refused are: more than 16 KiB, more than 16 levels (counted before parsing: a parser recurses), anything but UTF-8,
a byte order mark, duplicate keys, NaN and infinities (also `1e400`), integers beyond 64 bit, lone surrogates, and
anything but an object.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any, NoReturn

from benchd.errors import Refused

MOST_BYTES = 16 * 1024
MOST_LEVELS = 16
_WIDEST = 2**63
_TOKENS = re.compile(rb'"(?:[^"\\]+|\\.)*"?|[\[\]{}]', re.DOTALL)


def read_object(raw: bytes) -> dict[str, Any]:
    """The JSON object in `raw`. Raises Refused: `too_large` for size or depth, `bad_request` for the rest."""
    if len(raw) > MOST_BYTES:
        raise Refused("too_large", f"The message has {len(raw)} bytes; {MOST_BYTES} is the most.")
    if _depth(raw) > MOST_LEVELS:
        raise Refused("too_large", f"The message is nested deeper than {MOST_LEVELS} levels.")
    try:
        value = json.loads(
            raw.decode("utf-8"),
            object_pairs_hook=_without_duplicates,
            parse_constant=_no_constant,
            parse_float=_finite_float,
            parse_int=_int64,
        )
        if not isinstance(value, dict):
            _refuse("The message is not a JSON object.")
        # A lone surrogate written as \udXXX survives the parser and breaks the first writer that encodes it.
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except UnicodeError:
        _refuse("The message is not proper UTF-8 text.")
    except (ValueError, RecursionError) as error:
        _refuse(f"The message is not JSON: {str(error)[:120]}.")
    return value


def _depth(raw: bytes) -> int:
    """The deepest nesting of brackets outside strings; in UTF-8 an ASCII byte is always that character."""
    depth = deepest = 0
    for token in _TOKENS.finditer(raw):
        start = token.group()[:1]
        if start in (b"[", b"{"):
            depth += 1
            deepest = max(deepest, depth)
        elif start in (b"]", b"}"):
            depth -= 1
    return deepest


def _refuse(text: str) -> NoReturn:
    raise Refused("bad_request", text, advice='Send one JSON object such as {"id":"c1","args":{}}.')


def _without_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    keys = dict(pairs)
    if len(keys) != len(pairs):
        _refuse("The message names a key twice.")
    return keys


def _no_constant(name: str) -> NoReturn:
    _refuse(f"{name} is not a number that can be used.")


def _finite_float(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        _refuse("The message holds a number too large to be used.")
    return value


def _int64(text: str) -> int:
    # The length is checked first: converting thousands of digits could be used for a denial of service.
    if len(text) > 20 or not -_WIDEST <= int(text) < _WIDEST:
        _refuse("The message holds an integer of more than 64 bits.")
    return int(text)
