"""How a program message is written (IEEE 488.2 chapter 7, SCPI-1999 volume 1 chapter 6): units, headers, parameters.

Headers are known by the notation of manuals, `[SOURce:]CURRent[:LEVel]`: capitals are the short form, brackets what may
be left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

ERRORS = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -240: "Hardware error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
_UNIT = re.compile(r"(?P<header>[*:]?[A-Za-z][A-Za-z0-9_:]*\??)(?:\s+(?P<rest>.*))?", re.DOTALL)
_NUMBER = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[Ee]\s*[-+]?\d+)?)\s*([A-Za-z%]*)")
_NODE = re.compile(r"(\[)?:?([*A-Za-z0-9]+\??):?(\])?")
_SCALE = {"": 1.0, "M": 1e-3, "U": 1e-6, "K": 1e3}


class Refusal(Exception):
    """What a unit is refused with: a number of ERRORS."""

    def __init__(self, number: int) -> None:
        super().__init__(ERRORS[number])
        self.number = number


def split(text: str, at: str) -> list[str]:
    """The pieces between `at`, which does not count inside quotes."""
    pieces, quote = [""], ""
    for letter in text:
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == at:
            pieces.append("")
            continue
        pieces[-1] += letter
    return [piece.strip() for piece in pieces]


def unit(text: str) -> tuple[str, list[str]]:
    """Header and parameters of one unit. Raises Refusal."""
    found = _UNIT.fullmatch(text.strip())
    if found is None:
        raise Refusal(-102)
    rest = (found["rest"] or "").strip()
    return found["header"], split(rest, ",") if rest else []


class Header:
    """One header of a manual; `fits` says whether somebody has written it, in long or short form, in either case."""

    def __init__(self, notation: str) -> None:
        self.query = notation.endswith("?")
        self._nodes = [
            (bool(node[1]), node[2].rstrip("?").upper(), re.sub("[a-z]", "", node[2].rstrip("?")))
            for node in _NODE.finditer(notation)
        ]

    def fits(self, written: str) -> bool:
        """Whether `written` is it."""
        if written.endswith("?") != self.query:
            return False
        words = written.rstrip("?").lstrip(":").upper().split(":")
        return any(way == len(words) for way in self._ways(words, 0, 0))

    def _ways(self, words: list[str], node: int, word: int) -> Iterator[int]:
        if node == len(self._nodes):
            yield word
            return
        optional, long, short = self._nodes[node]
        if word < len(words) and words[word] in (long, short):
            yield from self._ways(words, node + 1, word + 1)
        if optional:
            yield from self._ways(words, node + 1, word)


def number(text: str, unit_letter: str, named: dict[str, float]) -> float:
    """A decimal number with or without its unit (V, mV, ..), or one of the words MIN, MAX, DEF. Raises Refusal."""
    for word, value in named.items():
        if text.upper() in (word[:3], word):
            return value
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise Refusal(-104)
    suffix = found[2].upper()
    if suffix and (not unit_letter or not suffix.endswith(unit_letter) or suffix[: -len(unit_letter)] not in _SCALE):
        raise Refusal(-131)
    return float(found[1].replace(" ", "")) * (_SCALE[suffix[: -len(unit_letter)]] if suffix else 1.0)


def boolean(text: str) -> bool:
    """ON, OFF, or a number that is rounded. Raises Refusal."""
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    return round(number(text, "", {})) != 0


def block(data: bytes) -> bytes:
    """An arbitrary block of definite length (IEEE 488.2, 8.7.9)."""
    length = str(len(data))
    return f"#{len(length)}{length}".encode() + data
