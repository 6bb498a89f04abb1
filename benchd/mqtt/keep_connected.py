"""Keeps a connection: opens and serves it, and retries after a loss, with two log lines per outage."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Coroutine
from contextlib import AbstractAsyncContextManager
from typing import Any

import aiomqtt

from benchd.devices.clock import Clock

_log = logging.getLogger(__name__)
BACK_OFF_S = (0.1, 0.2, 0.5, 1.0)
"""The last one repeats: a local broker that comes back is found within a second."""


class Outages:
    """Shared by all connections to one broker: the first loss is logged, and the return of the last one."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._down: set[str] = set()
        self._since = 0.0
        self.reason = "no answer"

    def lost(self, name: str, reason: str) -> None:
        """The connection `name` is down, newly or still."""
        self.reason = reason
        if not self._down:
            self._since = self._clock.monotonic()
            _log.warning("no connection to the MQTT broker (%s); trying again until there is", reason)
        self._down.add(name)

    def back(self, name: str) -> None:
        """The connection `name` is up."""
        if name in self._down:
            self._down.remove(name)
            if not self._down:
                _log.warning("connected to the MQTT broker again after %.1f s", self._clock.monotonic() - self._since)


async def stay_connected(
    name: str,
    open_client: Callable[[], AbstractAsyncContextManager[aiomqtt.Client]],
    serve: Callable[[aiomqtt.Client], Awaitable[None]],
    outages: Outages,
    clock: Clock,
) -> None:
    """Run `serve` on a connection, on a new one after each loss. Ends by cancellation only.

    `serve` calls `outages.back(name)` itself once the connection does its work (subscribed, not merely open).
    """
    failures = 0
    while True:
        started = clock.monotonic()
        try:
            await _in_own_task(_serve_once(open_client, serve), f"connection {name}")
        except aiomqtt.MqttError as error:
            outages.lost(name, str(error))
        except ExceptionGroup as group:
            unforeseen = group.split(aiomqtt.MqttError)[1]
            if unforeseen is not None:
                raise
            outages.lost(name, _first_error(group))
        failures = 0 if clock.monotonic() - started > 10.0 else failures + 1
        await clock.sleep(BACK_OFF_S[min(failures, len(BACK_OFF_S) - 1)])


async def _serve_once(
    open_client: Callable[[], AbstractAsyncContextManager[aiomqtt.Client]],
    serve: Callable[[aiomqtt.Client], Awaitable[None]],
) -> None:
    async with open_client() as client:
        await serve(client)


async def _in_own_task(work: Coroutine[Any, Any, None], name: str) -> None:
    """Await `work` in a task of its own, which ends in order when this is cancelled.

    A task group that fails leaves a request for cancellation on its task, and up to Python 3.11.3 every later time-out
    in that task then ends as a cancellation (CPython issue 102780): so each connection has a task to itself.
    """
    task = asyncio.create_task(work, name=name)
    try:
        await asyncio.wait({task})
    except asyncio.CancelledError:
        task.cancel()
        await asyncio.wait({task})
        if not task.cancelled():
            task.exception()  # retrieved: after the cancellation its error does not matter
        raise
    task.result()


def _first_error(group: BaseExceptionGroup[BaseException]) -> str:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return str(error)
