"""The parts of a multipart/x-mixed-replace answer, from bytes as they come (RFC 2046, 5.1.1): no input, no output.

Cameras send one picture a part and never end. Most tell each part's length; where one does not, a part ends at the next
boundary.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from email.message import Message

HEAD_BYTES = 8192
"""The fields of one part at most, and what may stand before the first boundary."""


class NotParts(Exception):
    """What came cannot be taken apart; the text is a clause for a person."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part; the names of its fields in lower case."""

    headers: dict[str, str]
    body: bytes


def boundary_of(content_type: str) -> bytes | None:
    """The boundary line of an answer of that type; None for one that is no multipart."""
    message = Message()
    message["content-type"] = content_type
    boundary = message.get_param("boundary")
    if message.get_content_maintype() != "multipart" or not isinstance(boundary, str) or not boundary:
        return None
    return b"--" + boundary.removeprefix("--").encode("latin-1")


class PartsReader:
    """Feed it; it gives the parts that are whole. `most` bounds a body by what has come of it so far."""

    def __init__(self, boundary: bytes, most: Callable[[bytearray], int]) -> None:
        self._boundary = boundary
        self._most = most
        self._buffer = bytearray()
        self._headers: dict[str, str] | None = None

    def feed(self, data: bytes) -> list[Part]:
        """Raises NotParts, after which it is of no use any more, and what `most` raises."""
        self._buffer += data
        parts = []
        while (part := self._next()) is not None:
            parts.append(part)
        return parts

    def _next(self) -> Part | None:
        if self._headers is None and not self._head():
            return None
        assert self._headers is not None
        length = self._headers.get("content-length")
        ends = self._by_boundary() if length is None else self._by_length(length)
        if ends is None:
            return None
        part = Part(self._headers, bytes(self._buffer[:ends]))
        del self._buffer[:ends]
        self._headers = None
        return part

    def _head(self) -> bool:
        """Take the boundary and the fields after it off the buffer, if they are there."""
        begins = self._buffer.find(self._boundary)
        ends = -1 if begins < 0 else self._buffer.find(b"\r\n\r\n", begins)
        if ends < 0:
            if len(self._buffer) > HEAD_BYTES:
                raise NotParts("sends no boundary between its pictures where one belongs")
            return False
        lines = self._buffer[begins:ends].decode("latin-1").split("\r\n")[1:]
        fields = (line.partition(":") for line in lines)
        self._headers = {name.strip().lower(): value.strip() for name, _, value in fields}
        del self._buffer[: ends + 4]
        return True

    def _by_length(self, told: str) -> int | None:
        if not told.isascii() or not told.isdigit():
            raise NotParts(f"tells a part's length as '{told[:20]}'")
        length = int(told)
        if self._buffer:
            self._bounded(length)
        return length if len(self._buffer) >= length else None

    def _by_boundary(self) -> int | None:
        ends = self._buffer.find(b"\r\n" + self._boundary)
        self._bounded(len(self._buffer) if ends < 0 else ends)
        return None if ends < 0 else ends

    def _bounded(self, length: int) -> None:
        most = self._most(self._buffer)
        if length > most:
            raise NotParts(f"sends a part of {length / 1e6:.1f} MB, where {most / 1e6:.1f} MB are the most")
