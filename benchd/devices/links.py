"""What a link is: bytes out, bytes back, one deadline, and a road for stop that no queue stands before."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from typing import Literal

Matcher = Callable[[bytes], int | None]
"""Looks at the bytes received so far and returns how many of them are the whole answer, or None for 'not yet'."""


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

        Raises LinkTimeout (no whole answer), LinkGarbled (more than the bound without one), LinkError
        (the transport broke). Bytes that `until` does not claim are offered to `listen`.
        """

    @abstractmethod
    def urgent(self, data: bytes) -> None:
        """Write `data` ahead of everything queued; for stop only; not awaited, raises LinkError if it is closed."""

    @abstractmethod
    def listen(self) -> AsyncIterator[bytes]:
        """Complete lines nobody asked for (banners, alarms), newest last; ends when the link is lost or closed."""

    @property
    @abstractmethod
    def connected(self) -> bool:
        """Whether the transport is open and not known to be broken."""

    @property
    @abstractmethod
    def recent(self) -> Sequence[FrameLog]:
        """The last frames in both directions, oldest first."""


def line(terminator: bytes = b"\n") -> Matcher:
    """A matcher for one terminated line, the terminator included."""

    def match(received: bytes) -> int | None:
        end = received.find(terminator)
        return None if end < 0 else end + len(terminator)

    return match
