"""What a client has heard of its bench: the kept documents, who watches, and whether the connection still stands."""

from __future__ import annotations

import asyncio
import math
import time
import weakref
from typing import Any

from benchd.client.watch import Watch
from benchd.errors import BenchdError

_NOT_KEPT = ("event", "reading")


class Heard:
    """`kept` are the documents by topic; `beat_heard_s` is when the last beat came (monotonic)."""

    def __init__(self) -> None:
        self.kept: dict[str, Any] = {}
        self.beat_heard_s = -math.inf
        self.broken: BenchdError | None = None
        self._changed = asyncio.Event()
        self._watches: weakref.WeakSet[Watch] = weakref.WeakSet()

    def watch(self, wanted: str, limit: int) -> Watch:
        """See `BenchClient.watch`."""
        watch = Watch(wanted, limit)
        for topic, document in self.kept.items():
            watch.push(topic, document)
        if self.broken is not None:
            watch.end(self.broken)
        self._watches.add(watch)
        return watch

    async def next_change(self) -> None:
        """Return when something more was heard. Raises what the connection broke with."""
        if self.broken is not None:
            raise self.broken
        self._changed.clear()
        await self._changed.wait()

    def hear(self, topic: str, document: Any, *, taken_back: bool) -> None:
        """Keep it, or no longer where it was taken back, and tell it to those who watch."""
        if taken_back:
            self.kept.pop(topic, None)
        elif topic not in _NOT_KEPT:
            self.put(topic, document)
        self._changed.set()
        for watch in self._watches:
            watch.push(topic, document)

    def put(self, topic: str, document: Any) -> None:
        """Keep it, unheard by those who watch."""
        self.kept[topic] = document
        if topic == "beat":
            self.beat_heard_s = time.monotonic()

    def end(self, error: BenchdError) -> BenchdError:
        """Nothing more will be heard; the first reason stays, and is given back."""
        self.broken = self.broken or error
        self._changed.set()
        for watch in self._watches:
            watch.end(self.broken)
        return self.broken
