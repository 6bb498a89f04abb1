"""What may be typed for an answer: each reader takes the text and gives the value, or says what may stand there."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

from benchd.errors import BenchdError
from benchd.files.bounds import Within
from benchd.mqtt.topics import is_name

Read = Callable[[str], Any]
"""Raises ValueError saying what may be typed."""

NONE = "none"
_SEPARATED = re.compile(r"\s*(?:,|\.\.|\bto\b)\s*")


def name(text: str) -> str:
    """A name that may stand in a topic."""
    if not is_name(text):
        raise ValueError("a name: 1 to 32 of a-z, 0-9, '_' and '-'")
    return text


def choice(*words: str) -> Read:
    """One of these words, or its number in the list."""

    def read(text: str) -> str:
        if text.isdecimal() and 1 <= int(text) <= len(words):
            return words[int(text) - 1]
        if text.lower() in words:
            return text.lower()
        raise ValueError(f"one of {', '.join(words)}")

    return read


def one_of(*words: str) -> Read:
    """One of these as it is written: a number among them is no place in the list."""

    def read(text: str) -> str:
        if text not in words:
            raise ValueError(f"one of {', '.join(words)}")
        return text

    return read


def some_of(*words: str) -> Read:
    """Some of these with commas between them, or none."""

    def read(text: str) -> tuple[str, ...]:
        parts = [] if text.lower() == NONE else _SEPARATED.split(text.lower())
        if not set(parts) <= set(words) or len(set(parts)) < len(parts):
            raise ValueError(f"some of {', '.join(words)}, each once and with commas between them; or {NONE}")
        return tuple(word for word in words if word in parts)

    return read


def number(within: Within) -> Read:
    """A plain number inside of it."""

    def read(text: str) -> float:
        return within.take(_plain(text))

    return read


def factor(within: Within) -> Read:
    """A plain number inside of it that another is multiplied by: 0 would make one of all."""

    def read(text: str) -> float:
        value = within.take(_plain(text))
        if value == 0.0:
            raise ValueError(f"a number {within.ends}, and not 0, which would make one of all")
        return value

    return read


def whole(low: int, high: int) -> Read:
    """A whole number."""

    def read(text: str) -> int:
        if not re.fullmatch(r"[0-9]{1,9}", text) or not low <= int(text) <= high:
            raise ValueError(f"a whole number from {low} to {high}")
        return int(text)

    return read


def length(unit: Any, within: Within) -> Read:
    """A length: a plain number is in `unit`; `10 um`, `0.4 mm` or `2 ft 6 in` are taken in it."""

    def read(text: str) -> float:
        return within.take(_length(text, unit))

    return read


def span(unit: Any, long: Within) -> Read:
    """Two lengths, the lower first, so far apart: `0, 30 mm`."""

    def read(text: str) -> tuple[float, float]:
        ends = _SEPARATED.split(text.strip().strip("[]"))
        if len(ends) != 2:
            raise ValueError("two lengths with a comma between them, such as 0, 30 mm")
        low, high = (_length(end, unit) for end in ends)
        if not low < high:
            raise ValueError("two lengths, the lower one first")
        if not long.holds(apart := high - low):
            raise ValueError(f"two lengths {long.ends} apart, and not {apart:.12g}{long.hint(apart)}")
        return low, high

    return read


def pair(within: Within) -> Read:
    """Two plain numbers, the lower first: `0, 290`."""

    def read(text: str) -> tuple[float, float]:
        ends = _SEPARATED.split(text.strip().strip("[]"))
        if len(ends) != 2:
            raise ValueError("two numbers with a comma between them, the lower one first")
        low, high = (within.take(_plain(end)) for end in ends)
        if not low < high:
            raise ValueError("two numbers, the lower one first")
        return low, high

    return read


def lengths(unit: Any, within: Within) -> Read:
    """Several lengths with commas between them, or none."""

    def read(text: str) -> tuple[float, ...]:
        parts = [] if text.strip().lower() == NONE else _SEPARATED.split(text.strip().strip("[]"))
        return tuple(within.take(_length(part, unit)) for part in parts)

    return read


def or_none(read: Read) -> Read:
    """The same, or the word `none`."""

    def read_or_none(text: str) -> Any:
        if text.lower() == NONE:
            return None
        try:
            return read(text)
        except ValueError as wrong:
            raise ValueError(f"{wrong}; or {NONE}") from None

    return read_or_none


def port(text: str) -> str:
    """A serial port by its path, or `socket://host:port`."""
    if re.fullmatch(r"socket://[^/:\s]+:\d{1,5}/?", text):
        return text
    if "://" in text or not text.strip() or "\n" in text:
        raise ValueError("the path of a port such as /dev/ttyUSB0, or socket://host:port")
    if "/" not in text:
        raise ValueError(f"the path of a port, such as /dev/{text if text.isalnum() else 'ttyUSB0'}")
    return text


def local_port(text: str) -> str:
    """A serial port of this machine by its path."""
    if "://" in text:
        raise ValueError("the path of a port of this machine, such as /dev/ttyUSB0")
    return port(text)


def setting(text: str) -> str:
    """A line with one place for a number, such as L {:.0f}."""
    if len(re.findall(r"\{:\.[0-9]f\}", words(text))) != 1:
        raise ValueError("a line with one {:.0f} in the place of the number, or {:.2f} for two decimals")
    return text


def url(text: str) -> str:
    """A picture URL, without an account in it: that would be shown, and is not sent."""
    if not re.fullmatch(r"https?://[^\s/]+/\S*", text):
        raise ValueError("a URL that answers with a picture, such as http://192.0.2.10/frame.png")
    if "@" in text.split("/")[2]:
        raise ValueError("a URL without name and password, which would stand in a file that is shown and copied")
    return text


def camera_source(text: str) -> str:
    """A video device, a part of its name in /dev/v4l/by-id, or a stream's address, without an account in it."""
    if "://" not in text:
        return words(text)
    if not re.fullmatch(r"(rtsp|https?)://[^\s/]+(/\S*)?", text) or "@" in text.split("/")[2]:
        raise ValueError(
            "an address such as rtsp://192.0.2.10/live, without name and password: those are `user` and `password_file`"
        )
    return text


def words(text: str) -> str:
    """Any text in one line."""
    if not text or not text.isprintable():
        raise ValueError("a text in one line")
    return text


def pattern(text: str) -> str:
    """A regular expression with one group, the number."""
    try:
        groups = re.compile(words(text)).groups
    except re.error as wrong:
        raise ValueError(f"a regular expression, which this is not: {wrong}") from None
    if groups != 1:
        raise ValueError("a pattern with exactly one group (..) around the number, such as ^P=([-+0-9.]+)$")
    return text


def any_pattern(text: str) -> str:
    """A regular expression."""
    try:
        re.compile(words(text))
    except re.error as wrong:
        raise ValueError(f"a regular expression, which this is not: {wrong}") from None
    return text


def _plain(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError("a number" + ("; with a point, not a comma" if "," in text else ""))
    return value


def _length(text: str, unit: Any) -> float:
    from benchd.quantities import length as written

    try:
        return _plain(text)
    except ValueError:
        pass
    try:
        return written(text, unit)
    except BenchdError as wrong:
        raise ValueError(wrong.advice or wrong.text) from None
