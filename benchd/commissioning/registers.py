"""How registers, flags and commands of a Modbus drive are typed: in few words, as its manual lists them."""

from __future__ import annotations

import re
from typing import Any

TYPES = ("int16", "uint16", "int32", "uint32", "float32")
WORDS = ("high_first", "low_first")
_COMMAND = re.compile(r"(coil\s+)?(\d{1,5})\s*=\s*(\d{1,5})(?:\s+from\s+(\d{1,5}))?")
_EXPECTED = re.compile(r"(.*\S)\s*=\s*(-?(?:\d{1,12}(?:\.\d{1,12})?|\.\d{1,12}))", re.ASCII)


def written(text: str) -> dict[str, Any]:
    """A holding register, or two: `0`, `0 int32 high_first`."""
    address, *rest = text.lower().split() or [""]
    found: dict[str, Any] = {}
    for word in rest:
        key = "type" if word in TYPES else "words" if word in WORDS else ""
        if not key or key in found:
            raise ValueError(
                f"the register, counted from 0, its type ({', '.join(TYPES)}), and of two words which is first"
            )
        found[key] = word
    if not address.isdecimal() or int(address) > 0xFFFF:
        raise ValueError("the register's number, counted from 0, 0 to 65535, such as 0 or `0 int32 high_first`")
    wide = found.get("type") in ("int32", "uint32", "float32")
    if wide != ("words" in found):
        raise ValueError("high_first or low_first where the number has two words, and nothing where it has one")
    return {"address": int(address), **found}


def told(text: str) -> dict[str, Any]:
    """The same of the table of inputs where the word `input` stands with it: `1 input int32 high_first`."""
    parts = text.lower().split()
    rest = [part for part in parts if part != "input"]
    found = written(" ".join(rest))
    return found | ({"table": "input"} if len(rest) < len(parts) else {})


def expected(text: str) -> dict[str, Any]:
    """A register and the number that stands in it: `6 input = 19761`."""
    parts = _EXPECTED.fullmatch(text)
    if parts is None:
        raise ValueError("a register and the number that stands in it, such as `6 input = 19761` or `6 = 1.5`")
    return {**told(parts[1]), "value": float(parts[2])}


def flag(text: str) -> dict[str, Any]:
    """A bit, from 0; `not 0` where it means yes when it is 0."""
    parts = re.fullmatch(r"(not\s+)?(\d{1,2})", text.lower())
    if parts is None or int(parts[2]) > 31:
        raise ValueError("a bit, 0 to 31, such as 0; or `not 0` where it means yes when it is 0")
    return {"bit": int(parts[2]), **({"when": 0} if parts[1] else {})}


def flags(text: str) -> tuple[dict[str, Any], ...]:
    """Bits with commas between them."""
    return tuple(flag(part) for part in re.split(r"\s*,\s*", text))


def command(text: str) -> dict[str, Any]:
    """What is written where: `3 = 1`, `coil 3 = 1`, or `3 = 1 from 0` for a drive that acts on a change."""
    parts = _COMMAND.fullmatch(text.lower())
    if parts is None or max(int(number) for number in parts.groups()[1:] if number) > 0xFFFF:
        raise ValueError("a register and what is written to it, such as `3 = 1`, `coil 3 = 1` or `3 = 1 from 0`")
    found: dict[str, Any] = {"address": int(parts[2]), "value": int(parts[3])}
    if parts[4]:
        found["edge_from"] = int(parts[4])
    return found | ({"table": "coil"} if parts[1] else {})
