"""Publishes the bench's notices to MQTT: kept documents retained and coalesced, the others at once.

A topic is sent at most 20 times a second, always ending with its newest document, and an unchanged document is not sent
again. An event is sent after the state that led to it, so that a client acting on the event finds that state, and after
the reply to the command that caused it, so that a client which waits for the end after the reply does not miss it. Each
connection begins with all kept documents, since a broker may have lost them.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import aiomqtt

from benchd.bench.notices import Doc, Notice, Notices, Subscription
from benchd.devices.clock import Clock
from benchd.mqtt.topics import Topics
from benchd.remote.encoding import encode

_log = logging.getLogger(__name__)


class Publisher:
    """Runs once per connection; `again` and `all_again` may be called at any time.

    `kept_sent` is set once all documents kept at the beginning of the connection have been sent over it.
    """

    def __init__(self, notices: Notices, topics: Topics, clock: Clock, *, per_s: float = 20.0) -> None:
        self._notices = notices
        self._topics = topics
        self._clock = clock
        self._pause_s = 1.0 / per_s
        self._pending: dict[str, Doc | None] = {}
        self._sent: dict[str, tuple[float, Doc | None]] = {}
        self._wake = asyncio.Event()
        self._none_pending = asyncio.Event()
        self.kept_sent = asyncio.Event()
        self._replying: list[str] = []
        self._replied = asyncio.Event()

    @contextmanager
    def reply_first(self, ident: str | None) -> Iterator[None]:
        """Context in which the reply to the command `ident` is sent; events caused by it wait until then."""
        if ident is None:
            yield
            return
        self._replying.append(ident)
        try:
            yield
        finally:
            self._replying.remove(ident)
            self._replied.set()

    async def all_again(self) -> None:
        """Somebody may have written over anything that is kept: send it all again, and wait until it is sent, but no
        longer than a second, as somebody may go on clearing topics."""
        for topic in self._notices.snapshot():
            self.again(topic)
        for _ in range(10):
            await self._state_sent()

    def again(self, topic: str) -> None:
        """The kept `topic` (below the bench) was cleared or written over: send it again, if the bench keeps it."""
        document = self._notices.snapshot().get(topic)
        if document is not None:
            when, _ = self._sent.get(topic, (0.0, None))
            self._sent[topic] = (when, None)  # the broker has another or none, so the same document counts as changed
            self._pending.setdefault(topic, document)
            self._wake.set()

    async def run(self, client: aiomqtt.Client) -> None:
        """Publish until the connection breaks (raises aiomqtt.MqttError, in a group) or the task is cancelled."""
        self._pending = dict(self._notices.snapshot())
        self._sent.clear()
        try:
            with self._notices.subscribe() as subscription:
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._sort(client, subscription), name="mqtt-notices")
                    group.create_task(self._send_kept(client), name="mqtt-kept")
        finally:
            self.kept_sent.clear()

    async def _sort(self, client: aiomqtt.Client, subscription: Subscription) -> None:
        async for notice in subscription:
            if notice.kept:
                self._pending[notice.topic] = notice.doc
                self._wake.set()
            else:
                if notice.topic == "event":
                    await self._reply_sent((notice.doc or {}).get("cause"))
                    await self._state_sent()
                await self._publish(client, notice)

    async def _reply_sent(self, cause: str | None) -> None:
        while cause in self._replying:
            self._replied.clear()
            await self._replied.wait()

    async def _state_sent(self) -> None:
        """Wait until pending documents are sent: at most one pause, as all are due by then."""
        if not self._pending:
            return
        self._none_pending.clear()
        try:
            async with asyncio.timeout(2.0 * self._pause_s):  # a client that keeps clearing topics cannot delay events
                await self._none_pending.wait()
        except TimeoutError:
            pass

    async def _send_kept(self, client: aiomqtt.Client) -> None:
        while True:
            self._wake.clear()
            now = self._clock.monotonic()
            due = {topic: self._sent.get(topic, (-1e9, None))[0] + self._pause_s for topic in self._pending}
            ready = [topic for topic, when in due.items() if when <= now]
            for topic in ready:
                document = self._pending.pop(topic)
                last = self._sent.get(topic)
                if last is None or _core(last[1]) != _core(document):
                    self._sent[topic] = (now, document)
                    await self._publish(client, Notice(topic, document, kept=True))
            self.kept_sent.set()
            if not self._pending:
                self._none_pending.set()
            if not ready:
                wait_s = min(due.values()) - now if due else None
                try:
                    async with asyncio.timeout(wait_s):
                        await self._wake.wait()
                except TimeoutError:
                    pass

    async def _publish(self, client: aiomqtt.Client, notice: Notice) -> None:
        try:
            payload = b"" if notice.doc is None else encode(notice.doc)
        except (TypeError, ValueError, RecursionError):
            _log.exception("%s holds a document that cannot be published", notice.topic)
            return
        # Periodic documents may get lost, as the next follows within a second; the others are acknowledged.
        qos = 0 if notice.topic == "beat" or notice.topic.startswith("device/") else 1
        await client.publish(self._topics.full(notice.topic), payload, qos=qos, retain=notice.kept)


def _core(document: Doc | None) -> dict[str, Any] | None:
    return None if document is None else {key: value for key, value in document.items() if key not in ("t", "seq")}
