"""What a link is: bytes out, bytes back, one deadline, and a road for stop that no queue stands before."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, TypeVar

P = TypeVar("P")

Matcher = Callable[[bytes], slice | None]
"""Looks at the bytes received so far and returns which of them are the whole answer, or None for 'not yet'.

What stands before the answer and after it was not asked for and goes to `listen`, line by line: when the answer
has come, or at once where the matcher has a true attribute `line_wise`, by which it says that its answers never
reach over the end of a line.
"""


@dataclass(frozen=True, slots=True)
class FrameLog:
    """One entry of the ring of last frames."""

    direction: Literal["out", "in"]
    data: bytes
    t_mono: float


class Link(ABC):
    """A transport that several devices may share. One query at a time; whoever comes later waits its turn.

    Contracts: `open` is awaited before any other call and may be awaited again after `close` or a loss;
    `close` is idempotent and never raises; a cancelled `query` leaves the link usable, and the late reply
    to it is dropped, never taken for the next answer.
    """

    driver_api: ClassVar[int] = 1
    """The version of the driver interface that the kind was written for; one that does not say was written for 1."""
    name: str

    @abstractmethod
    async def open(self) -> None:
        """Open the transport under an exclusive lock. Raises LinkError naming the holder where it is in use."""

    @abstractmethod
    async def close(self) -> None:
        """Close the transport; idempotent, never raises."""

    @abstractmethod
    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        """Write `data`, collect bytes until `until` is satisfied, all before one deadline.

        Waiting for one's turn counts. A matcher with a true attribute `at_once` says that these bytes have no answer
        to collect and disturb none under way, and so may go without waiting. Raises LinkTimeout (no whole answer),
        LinkGarbled (more bytes than any answer may have, or bytes that look like the wrong baud rate), LinkError
        (the transport broke).
        Lines that `until` does not claim are offered to `listen`.
        """

    @abstractmethod
    def urgent(self, data: bytes) -> None:
        """Write `data` ahead of everything queued; for stop only; not awaited, raises LinkError if it is closed."""

    @abstractmethod
    def listen(self) -> AsyncIterator[bytes]:
        """Complete lines nobody asked for (banners, alarms), newest last; ends when the link is lost or closed.

        Listening begins with the call, not with the first `anext`. Line ends are taken off.
        """

    def shared(self, kind: type[P], make: Callable[[Link], P]) -> P:
        """The one object of class `kind` that speaks this link's protocol for every device on it.

        Made by `make(link)` when the first device asks; it lives as long as the link object.
        """
        kept: dict[type[Any], Any] = self.__dict__.setdefault("_shared", {})
        if kind not in kept:
            kept[kind] = make(self)
        found: P = kept[kind]
        return found

    @property
    @abstractmethod
    def connected(self) -> bool:
        """Whether the transport is open and not known to be broken."""

    @property
    def why_lost(self) -> str:
        """A sentence for a person, why it is not connected any more; empty where that is not known."""
        return ""

    @property
    @abstractmethod
    def recent(self) -> Sequence[FrameLog]:
        """The last frames in both directions, oldest first."""


def line(terminator: bytes = b"\n") -> Matcher:
    """A matcher for the next terminated line, the terminator included."""

    def match(received: bytes) -> slice | None:
        end = received.find(terminator)
        return None if end < 0 else slice(0, end + len(terminator))

    return match


class matching:  # noqa: N801 - used like the function `line`
    """A matcher for the first stretch of bytes that `pattern` finds, wherever in a line it stands."""

    line_wise = True

    def __init__(self, pattern: bytes) -> None:
        self._find = re.compile(pattern).search

    def __call__(self, received: bytes) -> slice | None:
        found = self._find(received)
        return slice(*found.span()) if found else None


def nothing(received: bytes) -> slice | None:
    """A matcher for commands whose answer comes by `listen`: content as soon as the bytes are written."""
    return slice(0, 0)


class nothing_at_once:  # noqa: N801 - used like the function `nothing`
    """As `nothing`, for a device that hears while it speaks and whose answers cannot be taken for one another."""

    at_once = True

    def __call__(self, received: bytes) -> slice | None:
        return slice(0, 0)
