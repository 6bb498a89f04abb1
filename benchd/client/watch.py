"""A subscription to the bench's messages, as an asynchronous iterator that listens from its creation."""

from __future__ import annotations

import asyncio
from collections import deque
from typing import Any

import aiomqtt

from benchd.errors import BenchdError

Said = tuple[str, Any]
"""A topic below the bench, and its document (a JSON value; None where a kept one was cleared)."""


class Watch:
    """Iterates over (topic, document) for ever; raises BenchdError (timeout) when the connection is lost.

    Made by `BenchClient.watch`. At most `limit` messages are queued; then the oldest is dropped and counted.
    """

    def __init__(self, wanted: str, limit: int) -> None:
        self._wanted = wanted
        self._waiting: deque[Said] = deque()
        self._limit = limit
        self._wake = asyncio.Event()
        self._broken: BenchdError | None = None
        self.dropped = 0

    def push(self, topic: str, document: Any) -> None:
        """Queue a message if its topic matches the filter."""
        if not aiomqtt.Topic(topic).matches(self._wanted):
            return
        if len(self._waiting) >= self._limit:
            self._waiting.popleft()
            self.dropped += 1
        self._waiting.append((topic, document))
        self._wake.set()

    def end(self, error: BenchdError) -> None:
        """The connection has ended; queued messages are still delivered."""
        self._broken = error
        self._wake.set()

    def __aiter__(self) -> Watch:
        return self

    async def __anext__(self) -> Said:
        while not self._waiting:
            if self._broken is not None:
                raise self._broken
            self._wake.clear()
            await self._wake.wait()
        return self._waiting.popleft()
