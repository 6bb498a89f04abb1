"""Connections to the broker in memory, with the calls of aiomqtt that benchd uses.

Wills, acknowledgements, order within a connection and the options of a subscription are those of the standard (OASIS
MQTT 5.0: 3.1.2.5, 3.8.3.1, 4.6). What the network does is drawn: how long each message takes, and on request that it
comes twice, or that a connection breaks or stands still.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from functools import lru_cache
from typing import Any, cast

import aiomqtt
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchd.mqtt.connection import KEEPALIVE_S, CountedQueue, Endpoint, random_id
from tests.virtual.ends.broker_end import BROKERS, MemoryBroker, Published, of_the_daemon
from tests.virtual.ends.lane import LATENCY_S, Lane
from tests.virtual.life import OUTSIDE

NOTICED_S = 2.0 * KEEPALIVE_S + 1.0
"""After so long a connection that stands still is given up."""


class MemoryClient:
    """One connection, from `open_in_memory` until it is left, or `cut`."""

    def __init__(self, broker: MemoryBroker, name: str, will: aiomqtt.Will | None, queue: int) -> None:
        self.name = name
        self.of_the_daemon = of_the_daemon(name)
        self.stalled = False
        self._broker = broker
        self._will = will
        self._up, self._down = Lane(broker.chance), Lane(broker.chance)
        self._wanted: dict[str, SubscribeOptions] = {}
        self._queue: CountedQueue = CountedQueue(queue)
        self._acknowledgements: dict[asyncio.Future[None], None] = {}  # in the order in which they were asked for
        self._lost: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._noticing: asyncio.TimerHandle | None = None

    # ---- as aiomqtt.Client

    async def publish(
        self,
        topic: str,
        payload: bytes | str | None = b"",
        qos: int = 0,
        retain: bool = False,
        properties: Properties | None = None,
        timeout: float | None = None,
    ) -> None:
        """Raises aiomqtt.MqttError without a connection, and where no acknowledgement comes in time."""
        data = payload.encode() if isinstance(payload, str) else bytes(payload or b"")
        message = Published(self.name, topic, data, qos, retain, properties)
        await self._sent(lambda: self._broker.take(message), acknowledged=qos > 0, timeout=timeout)

    async def subscribe(
        self, topic: str, qos: int = 0, options: SubscribeOptions | None = None, timeout: float | None = None
    ) -> tuple[int, ...]:
        """Gives the granted qualities of service."""
        wanted = options or SubscribeOptions(qos=qos)
        await self._sent(lambda: self._subscribed(topic, wanted), acknowledged=True, timeout=timeout)
        return (wanted.QoS,)

    async def unsubscribe(self, topic: str, timeout: float | None = None) -> None:
        await self._sent(lambda: self._forgotten(topic), acknowledged=True, timeout=timeout)

    @property
    def messages(self) -> AsyncIterator[aiomqtt.Message]:
        return self._messages()

    async def _messages(self) -> AsyncIterator[aiomqtt.Message]:
        while True:
            if self._queue.empty():
                getting = asyncio.ensure_future(self._queue.get())
                try:
                    await asyncio.wait((getting, self._lost), return_when=asyncio.FIRST_COMPLETED)
                    if not getting.done():
                        raise aiomqtt.MqttError("Disconnected during message iteration")
                finally:
                    if not getting.done():
                        getting.cancel()
                yield getting.result()
            else:
                yield self._queue.get_nowait()

    async def _sent(self, arrive: Callable[[], None], *, acknowledged: bool, timeout: float | None) -> None:
        if self._lost.done():
            raise aiomqtt.MqttError("The client is not currently connected.")
        if not acknowledged:
            self._up.put(arrive)
            return
        answer: asyncio.Future[None] = asyncio.get_running_loop().create_future()

        def arrived() -> None:
            arrive()
            self._down.put(lambda: None if answer.done() else answer.set_result(None))

        self._acknowledgements[answer] = None
        self._up.put(arrived)
        try:
            async with asyncio.timeout(timeout or 3.0):
                await answer
        except TimeoutError:
            raise aiomqtt.MqttError("no answer from the broker in time") from None
        finally:
            self._acknowledgements.pop(answer, None)

    # ---- the broker's side

    def _subscribed(self, topic: str, options: SubscribeOptions) -> None:
        known = topic in self._wanted and options.retainHandling == SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
        self._wanted[topic] = options
        if options.retainHandling != SubscribeOptions.RETAIN_DO_NOT_SEND and not known:
            for message in tuple(self._broker.kept.values()):
                if _matches(message.topic, topic):
                    self._deliver(message, min(message.qos, options.QoS), stored=True)

    def _forgotten(self, topic: str) -> None:
        self._wanted.pop(topic, None)

    def passed(self, message: Published) -> None:
        """A message that the broker has taken in; delivered once, however many subscriptions it meets."""
        best = -1
        keep = False
        for topic, options in self._wanted.items():
            if _matches(message.topic, topic) and not (options.noLocal and message.sender == self.name):
                best = max(best, min(message.qos, options.QoS))
                keep = keep or (options.retainAsPublished and message.retain)
        if best >= 0:
            times = 1
            if best > 0 and self._broker.twice:
                self._broker.twice -= 1
                times = 2
            for _ in range(times):
                self._deliver(message, best, stored=keep)

    def _deliver(self, message: Published, qos: int, *, stored: bool) -> None:
        arrived = aiomqtt.Message(message.topic, message.payload, qos, stored, 0, message.properties)

        def deliver() -> None:
            self._broker.delivered(self, message)
            self._queue.put_nowait(arrived)

        self._down.put(deliver)

    # ---- what becomes of the connection

    def lags(self, by_s: float) -> None:
        """Whoever reads at this end is slow: from now on all that is delivered to it comes so much later."""
        self._down.lag_s = by_s

    def stall(self, on: bool) -> None:
        """Nothing arrives either way; both sides give it up after a while."""
        self.stalled = on
        self._up.stall(on)
        self._down.stall(on)
        if self._noticing is not None:
            self._noticing.cancel()
            self._noticing = None
        if on:
            self._noticing = asyncio.get_running_loop().call_later(NOTICED_S, self.cut, context=OUTSIDE)

    def cut(self, *, will: bool = True) -> None:
        """The connection breaks: what is under way is lost, the broker publishes the will. Idempotent."""
        if self._lost.done():
            return
        self._end()
        self._lost.set_result(None)
        for answer in tuple(self._acknowledgements):
            if not answer.done():
                answer.set_exception(aiomqtt.MqttError("Disconnected"))
        if will and self._will is not None and BROKERS.get(self._broker.where) is self._broker:
            message = self._will
            payload = message.payload if isinstance(message.payload, bytes) else str(message.payload).encode()
            self._broker.take(Published(self.name, message.topic, payload, message.qos, message.retain, None))

    def forsaken(self) -> None:
        """The process at this end is gone: what it sent still arrives, and then the end of the connection."""
        self._down.end()
        self._up.put(self.cut)

    async def close(self) -> None:
        """Disconnect in order: what was sent before still arrives; no will."""
        if not self._lost.done():
            with contextlib.suppress(aiomqtt.MqttError):
                await self._sent(lambda: None, acknowledged=True, timeout=0.5)
        if not self._lost.done():
            self._end()
            self._lost.set_result(None)

    def _end(self) -> None:
        self._up.end()
        self._down.end()
        if self._noticing is not None:
            self._noticing.cancel()
        if self in self._broker.clients:
            self._broker.clients.remove(self)


@lru_cache(maxsize=10_000)
def _matches(topic: str, wanted: str) -> bool:
    return aiomqtt.Topic(topic).matches(wanted)


@contextlib.asynccontextmanager
async def open_in_memory(
    endpoint: Endpoint,
    name: str,
    *,
    will: aiomqtt.Will | None = None,
    queue: int = 1000,
    timeout_s: float = 3.0,
) -> AsyncIterator[aiomqtt.Client]:
    """As `benchd.mqtt.connection.open_connection`, to one of `BROKERS`. Raises aiomqtt.MqttError where none listens."""
    await asyncio.sleep(LATENCY_S[1])
    broker = BROKERS.get(f"{endpoint.host}:{endpoint.port}")
    if broker is None:
        raise aiomqtt.MqttError("[Errno 111] Connection refused")
    client = MemoryClient(broker, random_id(name), will, queue)
    broker.clients.append(client)
    try:
        yield cast(aiomqtt.Client, cast(Any, client))
    finally:
        await client.close()
