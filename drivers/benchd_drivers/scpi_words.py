"""What SCPI instruments write: numbers, headers in long and short form, error replies, blocks. Pure, no transport.

SCPI-1999 volume 1 chapters 6 and 7, volume 2 chapter 21; IEEE 488.2 8.7.9.
"""

from __future__ import annotations

import math
import re
import struct

OVERLOAD, NOT_A_NUMBER = 9.9e37, 9.91e37
"""What stands for plus or minus infinity, and for what is no number (SCPI-1999 volume 1, chapter 7)."""
_NEAR = 1e-4
"""They are printed to three digits at least, and come as single precision in blocks; between them lies a thousandth."""
_REAL = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)(E\s*[-+]?\d+)?", re.IGNORECASE)
_ERROR = re.compile(r'\s*([-+]?\d+)\s*(?:,\s*"?(.*?)"?\s*)?', re.DOTALL)
_HEADER = re.compile(r"[A-Za-z]+\d*(:[A-Za-z]+\d*)*")
LONGEST_BLOCK = 1 << 20


class NoNumber(ValueError):
    """Text that is no decimal number."""


class Overload(ValueError):
    """The instrument's words for infinity or no number."""


def number(text: str) -> float:
    """A decimal number in any of the forms NR1, NR2, NR3. Raises NoNumber, Overload."""
    if not _REAL.fullmatch(text.strip()):
        raise NoNumber(f"'{text.strip()[:60]}' is no number")
    return plausible(float(re.sub(r"\s", "", text)))


def decimal(value: float) -> str:
    """In the form NR2, always with a point: some parsers take neither integers nor exponents."""
    written = f"{value:.9f}".rstrip("0")
    return written + "0" if written.endswith(".") else written


def plausible(value: float) -> float:
    """The value itself, where it is one. Raises Overload."""
    if math.isnan(value) or abs(abs(value) / NOT_A_NUMBER - 1) < _NEAR:
        raise Overload("that it has no value (9.91E37, not a number)")
    if abs(value) >= OVERLOAD * (1 - _NEAR):
        raise Overload("an overload (9.9E37, infinity)")
    return value


def error_of(reply: str) -> tuple[int, str]:
    """Number and words of a reply to SYST:ERR?, with or without sign and quotes; 0 is none. Raises NoNumber."""
    found = _ERROR.fullmatch(reply)
    if found is None or (found[2] is None and int(found[1])):
        raise NoNumber(f"'{reply.strip()[:60]}' is no error reply")
    return int(found[1]), (found[2] or "").strip()


def short_form(header: str) -> str:
    """`VOLTage:DC`, `voltage:dc` and `VOLT:DC` are VOLT:DC. Raises ValueError for what is no header.

    Capitals before small letters are the short form, as manuals print it; else a word's first four letters are, or
    three if the fourth is a vowel and more follow. A number at its end stays.
    """
    if not _HEADER.fullmatch(header):
        raise ValueError(f"'{header}' is no SCPI header, words parted by colons")
    return ":".join(_short(word) for word in header.split(":"))


def _short(word: str) -> str:
    if printed := re.fullmatch(r"([A-Z]{2,})[a-z]+(\d*)", word):
        return printed[1] + printed[2]
    letters = word.rstrip("0123456789").upper()
    if len(letters) > 4:
        letters = letters[: 3 if letters[3] in "AEIOU" else 4]
    return letters + word[len(word.rstrip("0123456789")) :]


class whole_block:  # noqa: N801 - used like the matcher functions of `benchd.devices`
    """A matcher for a block of definite length and the line end behind it; what is before its # on the line is noise.

    A line without a block is an answer too, for the caller to refuse: an instrument that was not understood may say
    something else.
    """

    def __call__(self, received: bytes) -> slice | None:
        start = received.find(b"#")
        line_end = received.find(b"\n")
        if start < 0 or 0 <= line_end < start:
            return None if line_end < 0 else slice(0, line_end + 1)
        head = received[start + 1 : start + 2]
        if not head:
            return None
        digits = received[start + 2 : start + 2 + int(head)] if head.isdigit() and head != b"0" else b"?"
        if len(digits) < (int(head) if head.isdigit() else 0):
            return None
        if not digits.isdigit() or int(digits) > LONGEST_BLOCK:
            return None if line_end < 0 else slice(start, line_end + 1)
        after = start + 2 + len(digits) + int(digits)
        if len(received) <= after:
            return None
        end = received.find(b"\n", after)
        return None if end < 0 else slice(start, end + 1)


def block(answer: bytes) -> bytes:
    """The data of a block of definite length. Raises NoNumber for anything else.

    One of indefinite length (#0) is refused: on a stream nothing tells its end from a line feed among its data.
    """
    head = answer[1:2]
    if answer[:1] != b"#" or not head.isdigit() or head == b"0":
        raise NoNumber(f"{answer[:20]!r} is no block of definite length")
    digits, start = answer[2 : 2 + int(head)], 2 + int(head)
    if not digits.isdigit() or len(digits) < int(head):
        raise NoNumber(f"{answer[:20]!r} is no block of definite length")
    data, rest = answer[start : start + int(digits)], answer[start + int(digits) :]
    if len(data) < int(digits) or rest.strip():
        raise NoNumber(f"the block of {int(digits)} bytes has another length")
    return data


def reals(data: bytes, bits: int, count: int) -> list[float]:
    """So many numbers of IEEE 754, most significant byte first. Raises NoNumber, Overload."""
    if len(data) != count * bits // 8:
        raise NoNumber(f"a block of {len(data)} bytes holds no {count} numbers of {bits} bits")
    return [plausible(value) for value in struct.unpack(f">{count}{'f' if bits == 32 else 'd'}", data)]
