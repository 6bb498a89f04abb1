"""What carries the bytes of a link: a thread that owns a port, or whatever stands for one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class Transport(Protocol):
    """Bytes both ways from `start` to `stop`; what comes, and that it is lost, is told by callbacks on the event loop.

    `written(t_mono)` is called when the frame has gone out.
    """

    async def start(self) -> None:
        """Raises LinkError where it cannot be opened."""

    def put(self, data: bytes, written: Callable[[float], None] | None = None) -> object:
        """Queue a frame; returns a ticket for `withdraw`."""

    def put_urgent(self, data: bytes, written: Callable[[float], None] | None = None) -> None:
        """Queue a frame ahead of all ordinary ones."""

    def withdraw(self, ticket: object) -> bool:
        """Take a frame back; False where its first byte may have gone already."""

    async def stop(self) -> None:
        """Close; idempotent."""
