"""What a client has received from its bench: kept documents, the watches on them, and the state of the connection."""

from __future__ import annotations

import asyncio
import math
import weakref
from typing import Any

from benchd.client.watch import Watch
from benchd.devices.clock import now_s
from benchd.errors import BenchdError

_NOT_KEPT = ("event", "reading")


class Heard:
    """`kept` are the documents by topic; `beat_heard_s` is when the last beat arrived (monotonic)."""

    def __init__(self) -> None:
        self.kept: dict[str, Any] = {}
        self.beat_heard_s = -math.inf
        self.broken: BenchdError | None = None
        self._changed = asyncio.Event()
        self._watches: weakref.WeakValueDictionary[int, Watch] = weakref.WeakValueDictionary()  # in their order
        self._watched = 0

    def watch(self, wanted: str, limit: int) -> Watch:
        """See `BenchClient.watch`."""
        watch = Watch(wanted, limit)
        for topic, document in self.kept.items():
            watch.push(topic, document)
        if self.broken is not None:
            watch.end(self.broken)
        self._watched += 1
        self._watches[self._watched] = watch
        return watch

    async def next_change(self) -> None:
        """Return at the next message. Raises the error that ended the connection."""
        if self.broken is not None:
            raise self.broken
        self._changed.clear()
        await self._changed.wait()

    def hear(self, topic: str, document: Any, *, taken_back: bool) -> None:
        """Keep the document, or remove it if `taken_back`, and pass it to the watches."""
        if taken_back:
            self.kept.pop(topic, None)
        elif topic not in _NOT_KEPT:
            self.put(topic, document)
        self._changed.set()
        for watch in self._watches.values():
            watch.push(topic, document)

    def put(self, topic: str, document: Any) -> None:
        """Keep the document without passing it to the watches."""
        self.kept[topic] = document
        if topic == "beat":
            self.beat_heard_s = now_s()

    def end(self, error: BenchdError) -> BenchdError:
        """The connection has ended; keeps and returns the first error."""
        self.broken = self.broken or error
        self._changed.set()
        for watch in self._watches.values():
            watch.end(self.broken)
        return self.broken
