"""Publish and subscribe inside the daemon: kept documents for state, unkept notices for what happens.

Publishers to the outside (MQTT, tests) subscribe here; the bench does not know them. A late subscriber first receives
all kept documents; an unchanged document is not published again.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

Doc = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Notice:
    """One message: a topic below `benchd/<bench>/`, its document (None clears a kept one), and whether it is kept."""

    topic: str
    doc: Doc | None
    kept: bool


class Subscription:
    """One subscriber's queue. Bounded: when it is full the oldest unkept notice is dropped and counted."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._waiting: list[Notice] = []
        self._wake = asyncio.Event()
        self.dropped = 0

    def push(self, notice: Notice) -> None:
        """Queue a notice; a kept document replaces one of the same topic that is still queued, in its place.

        So the newest document is delivered, and never later than notices that followed the replaced one.
        """
        if notice.kept:
            for index, waiting in enumerate(self._waiting):
                if waiting.kept and waiting.topic == notice.topic:
                    self._waiting[index] = notice
                    return
        elif len(self._waiting) >= self._limit:
            index = next((i for i, n in enumerate(self._waiting) if not n.kept), 0)
            del self._waiting[index]
            self.dropped += 1
        self._waiting.append(notice)
        self._wake.set()

    async def __aiter__(self) -> AsyncIterator[Notice]:
        while True:
            await self._wake.wait()
            self._wake.clear()
            while self._waiting:
                yield self._waiting.pop(0)


class Notices:
    """The kept documents by topic, and the subscriptions."""

    def __init__(self) -> None:
        self._kept: dict[str, Doc] = {}
        self._listeners: list[Subscription] = []

    def put(self, topic: str, doc: Doc | None) -> None:
        """Set the kept document of `topic` (None clears it); published if it differs from the last one.

        `t` and `seq` do not count as a difference.
        """
        if doc is None:
            if self._kept.pop(topic, None) is None:
                return
        else:
            if topic in self._kept and _core(self._kept[topic]) == _core(doc):
                return
            self._kept[topic] = doc
        self._tell(Notice(topic, doc, kept=True))

    def tell(self, topic: str, doc: Doc) -> None:
        """Publish a notice that is not kept: `event`, `reading`."""
        self._tell(Notice(topic, doc, kept=False))

    def snapshot(self) -> dict[str, Doc]:
        """All kept documents, by topic."""
        return dict(self._kept)

    @contextmanager
    def subscribe(self, limit: int = 5000) -> Iterator[Subscription]:
        """A subscription that starts with every kept document; `limit` bounds its queue of unkept notices."""
        subscription = Subscription(limit)
        for topic, doc in self._kept.items():
            subscription.push(Notice(topic, doc, kept=True))
        self._listeners.append(subscription)
        try:
            yield subscription
        finally:
            self._listeners.remove(subscription)

    def _tell(self, notice: Notice) -> None:
        for listener in self._listeners:
            listener.push(notice)


def _core(doc: Doc) -> dict[str, Any]:
    return {key: value for key, value in doc.items() if key not in ("t", "seq")}
