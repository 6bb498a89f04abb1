"""The interface of links: bytes out, bytes back, one deadline, and an urgent write for stop that bypasses the queue."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, TypeVar

P = TypeVar("P")

Matcher = Callable[[bytes], slice | None]
"""Gets the bytes received so far and returns the slice that is the complete answer, or None for 'not yet'.

Bytes before and after the answer are unsolicited and go to `listen`, line by line: when the answer has arrived, or at
once if the matcher has a true attribute `line_wise`, which states that its answers never extend beyond the end of a
line.
"""


@dataclass(frozen=True, slots=True)
class FrameLog:
    """One entry of the ring of recent frames."""

    direction: Literal["out", "in"]
    data: bytes
    t_mono: float


class Link(ABC):
    """A transport that several devices may share. One query at a time; later ones are queued.

    Contracts: `open` is awaited before any other call and may be awaited again after `close` or a loss;
    `close` is idempotent and never raises; a cancelled `query` leaves the link usable, and its late answer
    is dropped, never taken for that of the next query.
    """

    driver_api: ClassVar[int] = 1
    """The version of the driver interface that this kind was written for; 1 if not stated."""
    name: str

    @abstractmethod
    async def open(self) -> None:
        """Open the transport under an exclusive lock. Raises LinkError naming the holder if it is in use."""

    @abstractmethod
    async def close(self) -> None:
        """Close the transport; idempotent, never raises."""

    @abstractmethod
    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        """Write `data`, collect bytes until `until` is satisfied, all before one deadline.

        Time in the queue counts. A matcher with a true attribute `at_once` states that these bytes have no answer to
        collect and do not disturb a query under way, so that they bypass the queue. Raises LinkTimeout (no complete
        answer), LinkGarbled (more bytes than any answer may have, or bytes that look like the wrong baud rate),
        LinkError (the transport broke). Lines that `until` does not claim go to `listen`.
        """

    @abstractmethod
    def urgent(self, data: bytes) -> None:
        """Write `data` ahead of everything queued; for stop only; not awaited, raises LinkError if it is closed."""

    @abstractmethod
    def listen(self) -> AsyncIterator[bytes]:
        """Complete unsolicited lines (banners, alarms), newest last; ends when the link is lost or closed.

        Listening begins with the call, not with the first `anext`. Line ends are removed.
        """

    of_bytes: ClassVar[bool] = True
    """Whether any bytes may go over it; false where it frames what its own protocol says."""

    def shared(self, kind: type[P], make: Callable[[Link], P]) -> P:
        """The single object of class `kind` that handles this link's protocol for all devices on it.

        Made by `make(link)` for the first device; it lives as long as the link object.
        """
        kept: dict[type[Any], Any] = self.__dict__.setdefault("_shared", {})
        if kind not in kept:
            kept[kind] = make(self)
        found: P = kept[kind]
        return found

    def where(self) -> str:
        """The port that `open` would open, as the operating system or the network knows it; empty if not told.

        Found anew without opening anything (blocking). Raises LinkError if nothing fits, or several do.
        """
        return ""

    @property
    def stated_end(self) -> tuple[str, str] | None:
        """The key that states where it leads, and that place in one spelling, where a second link would be in its way;
        None where no key says so before anything is looked for."""
        return None

    @property
    @abstractmethod
    def connected(self) -> bool:
        """Whether the transport is open and not known to be broken."""

    @property
    def why_lost(self) -> str:
        """A sentence saying why it is not connected any more; empty if not known."""
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
    """A matcher for the first match of `pattern`, anywhere in a line."""

    line_wise = True

    def __init__(self, pattern: bytes) -> None:
        self._find = re.compile(pattern).search

    def __call__(self, received: bytes) -> slice | None:
        found = self._find(received)
        return slice(*found.span()) if found else None


def nothing(received: bytes) -> slice | None:
    """A matcher for commands whose answer comes by `listen`: satisfied as soon as the bytes are written."""
    return slice(0, 0)


class nothing_at_once:  # noqa: N801 - used like the function `nothing`
    """As `nothing`, for a device that receives while it sends, and whose answers cannot be confused."""

    at_once = True

    def __call__(self, received: bytes) -> slice | None:
        return slice(0, 0)
