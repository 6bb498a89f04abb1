"""One sender, any number of listeners, nothing lost quietly: how lines and surprises reach those who asked for them."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from typing import Generic, TypeVar
from weakref import WeakSet

T = TypeVar("T")


class Listener(AsyncIterator[T]):
    """Takes items from the moment it is made; ends when its channel ends, after what was waiting is taken.

    Holds `limit` items; then the oldest goes and `dropped` counts it.
    """

    def __init__(self, limit: int) -> None:
        self._waiting: deque[T] = deque()
        self._limit = limit
        self._wake = asyncio.Event()
        self._ended = False
        self.dropped = 0

    def push(self, item: T) -> None:
        """Take one item in."""
        if len(self._waiting) >= self._limit:
            self._waiting.popleft()
            self.dropped += 1
        self._waiting.append(item)
        self._wake.set()

    def end(self) -> None:
        """Nothing more comes."""
        self._ended = True
        self._wake.set()

    async def __anext__(self) -> T:
        while not self._waiting:
            if self._ended:
                raise StopAsyncIteration
            self._wake.clear()
            await self._wake.wait()
        return self._waiting.popleft()


class Channel(Generic[T]):
    """Tells every listener; one that nobody holds any more is forgotten."""

    def __init__(self, limit: int = 256) -> None:
        self._listeners: WeakSet[Listener[T]] = WeakSet()
        self._limit = limit

    def listen(self) -> Listener[T]:
        """A listener that hears everything told from now on."""
        listener: Listener[T] = Listener(self._limit)
        self._listeners.add(listener)
        return listener

    def tell(self, item: T) -> None:
        """Give `item` to everybody who listens."""
        for listener in list(self._listeners):
            listener.push(item)

    def end(self) -> None:
        """End every listener; who listens later starts afresh."""
        for listener in list(self._listeners):
            listener.end()
        self._listeners = WeakSet()
