"""Watchdog of the embedded broker: an open port and a running process do not prove that it works.

Every five seconds a new connection to each listener subscribes and must receive its own message. The broker is
restarted after two failures in a row of any listener, after its process ended, or if it uses too much memory; clients
then publish everything again because their connections broke.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import Callable

import aiomqtt

from benchd.broker.embedded import EmbeddedBroker
from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.mqtt.connection import Endpoint, open_connection

_log = logging.getLogger(__name__)
PERIOD_S = 5.0
MOST_BYTES = 400 * 1024 * 1024


class Watchdog:
    """`run` until cancelled. `on_restart(reason)` is called after each restart; `restarts` counts them."""

    def __init__(
        self,
        broker: EmbeddedBroker,
        clock: Clock,
        on_restart: Callable[[str], None],
        *,
        period_s: float = PERIOD_S,
    ) -> None:
        self._broker = broker
        self._clock = clock
        self._on_restart = on_restart
        self._period_s = period_s
        self._failures: dict[int, int] = {}
        self.restarts = 0

    async def run(self) -> None:
        """Check periodically. A restart that fails is retried at the next check, and logged once."""
        failure_logged = False
        while True:
            await self._wait()
            reason = await self._failure()
            if reason is None:
                continue
            _log.info("the broker is restarted: %s", reason)  # the connections log the outage itself
            self._failures.clear()
            try:
                await self._broker.restart()
            except (BenchdError, OSError) as error:
                if not failure_logged:
                    _log.error("the broker did not come back (%s); trying again until it does", error)
                failure_logged = True
                continue
            failure_logged = False
            self.restarts += 1
            self._on_restart(reason)

    async def _wait(self) -> None:
        """A period, or less if the child ends."""
        ended = asyncio.ensure_future(self._broker.ended()) if self._broker.pid is not None else None
        slept = asyncio.ensure_future(self._clock.sleep(self._period_s))
        both = {slept} if ended is None else {slept, ended}
        try:
            await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in both:
                task.cancel()
            await asyncio.wait(both)

    async def _failure(self) -> str | None:
        if self._broker.pid is None:
            return "its process ended"
        if self._broker.resident_bytes() > MOST_BYTES:
            return f"it holds more than {MOST_BYTES // 2**20} MiB"
        listeners = self._broker.listeners()
        alive = await asyncio.gather(*(echoes(listener) for listener in listeners))
        for listener, well in zip(listeners, alive, strict=True):
            self._failures[listener.port] = 0 if well else self._failures.get(listener.port, 0) + 1
            if self._failures[listener.port] >= 2:
                return f"nothing comes back on port {listener.port}"
        return None


async def echoes(endpoint: Endpoint, *, timeout_s: float = 2.0) -> bool:
    """Whether a new connection receives the message it sends. One fixed topic a port: brokers keep a log per filter."""
    topic = f"benchd-watchdog/{endpoint.port}"
    payload = secrets.token_bytes(8)
    try:
        async with asyncio.timeout(2 * timeout_s):
            async with open_connection(endpoint, "benchd-watchdog", timeout_s=timeout_s) as client:
                await client.subscribe(topic, qos=0)
                await client.publish(topic, payload, qos=0)
                async for message in client.messages:
                    if message.payload == payload:
                        return True
    except (aiomqtt.MqttError, TimeoutError):
        pass
    return False
