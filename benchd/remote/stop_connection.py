"""The road of `stop`: a connection of its own, with no queue before it and nothing to get right.

From anyone, with no id, no beat and no JSON: whatever arrives on `command/<anything>/stop` stops everything that
moves, and an axis named in it is told along with it and narrows nothing. The one thing that is not a stop is the
stored copy of a retained one, which comes at a (re)connect and not because anybody asked.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable
from typing import Any

import aiomqtt
from pydantic import ValidationError

from benchd.commands.events import EventTeller
from benchd.commands.json_gate import read_object
from benchd.devices.clock import Clock
from benchd.errors import BenchdError, Refused
from benchd.mqtt.connection import Endpoint, open_connection, subscribe
from benchd.mqtt.keep_connected import Outages, stay_connected
from benchd.mqtt.retained import RetainedMessages
from benchd.mqtt.topics import Topics, is_name
from benchd.remote.main_connection import send_reply
from benchd.verbs.stop import StopArgs

_log = logging.getLogger(__name__)
_MOST_AT_ONCE = 16

OnStop = Callable[[str, StopArgs], Awaitable[dict[str, Any] | None]]
"""Stops, before anything begins that is asked for later. `user` is `?` where the topic has no name."""


class StopConnection:
    """Keeps the stop connection. `ready` is set while a stop would be heard."""

    def __init__(
        self,
        endpoint: Callable[[], Endpoint],
        on_stop: OnStop,
        *,
        topics: Topics,
        events: EventTeller,
        clearing: RetainedMessages,
        outages: Outages,
        clock: Clock,
    ) -> None:
        self._endpoint = endpoint
        self._at = endpoint()
        self._on_stop = on_stop
        self._topics = topics
        self._events = events
        self._clearing = clearing
        self._outages = outages
        self._clock = clock
        self._tasks: set[asyncio.Task[Any]] = set()
        self._once_more = False
        self.ready = asyncio.Event()

    async def run(self) -> None:
        """Listen until cancelled; stops that are under way then get a second to end in order."""
        try:
            await stay_connected("stop", self._open, self._serve, self._outages, self._clock)
        finally:
            if self._tasks:
                _, late = await asyncio.wait(self._tasks, timeout=1.0)
                for task in late:
                    task.cancel()
                if late:
                    await asyncio.wait(late)

    def _open(self) -> contextlib.AbstractAsyncContextManager[aiomqtt.Client]:
        self._at = self._endpoint()
        return open_connection(self._at, "benchd-stop")

    async def _serve(self, client: aiomqtt.Client) -> None:
        # Not retain-as-published here: the flag then means 'stored copy', and a live stop never carries it.
        await subscribe(client, self._at, self._topics.stops, qos=1, stored=False)
        self._outages.back("stop")
        self.ready.set()
        try:
            async for message in client.messages:
                if self._clearing.is_own(message):
                    continue
                if message.retain:
                    self._events.tell("retained", "A stored stop was found at the connect; it was not carried out.")
                    await self._clearing.clear(client, str(message.topic), self._at)
                    continue
                self._start(client, message)
        finally:
            self.ready.clear()

    def _start(self, client: aiomqtt.Client, message: aiomqtt.Message) -> None:
        """Each stop is begun at once, side by side; in a flood the last one is begun when an earlier one has ended."""
        if len(self._tasks) >= _MOST_AT_ONCE:
            self._once_more = True
            return
        user, args, ident = read_stop(self._topics, str(message.topic), bytes(message.payload))
        task = asyncio.create_task(self._stop(client, message, user, args, ident), name="mqtt-stop")
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        if self._once_more and not task.cancelled():
            self._once_more = False
            again = asyncio.create_task(self._carry_out("?", StopArgs()), name="mqtt-stop")
            self._tasks.add(again)
            again.add_done_callback(self._ended)

    async def _stop(
        self, client: aiomqtt.Client, message: aiomqtt.Message, user: str, args: StopArgs, ident: str | None
    ) -> None:
        reply = {"id": ident, **await self._carry_out(user, args)}
        with contextlib.suppress(aiomqtt.MqttError):
            await send_reply(client, self._topics, message, reply)

    async def _carry_out(self, user: str, args: StopArgs) -> dict[str, Any]:
        try:
            return {"ok": True, "result": await self._on_stop(user, args) or {}}
        except BenchdError as error:
            fault = error
        except Exception:  # noqa: BLE001 whatever a driver raises, the next stop must be heard
            _log.exception("a stop failed")
            fault = BenchdError("device_fault", "The stop failed.", advice="Use the emergency stop of the bench.")
        self._events.tell(fault.code, fault.text, severity="error", advice=fault.advice, data={"user": user})
        return {"ok": False, "error": fault.as_json()}


def read_stop(topics: Topics, topic: str, payload: bytes) -> tuple[str, StopArgs, str | None]:
    """Who asks, the axis named if any, and the id to answer with; never raises, and what is unclear is a stop."""
    level = (topics.below(topic) or "").split("/")[1:2]
    user = level[0] if level and is_name(level[0]) else "?"
    if not payload:
        return user, StopArgs(), None
    try:
        document = read_object(payload)
    except Refused:
        return user, StopArgs(), None
    ident = document.get("id")
    ident = ident if isinstance(ident, str) and 0 < len(ident) <= 64 else None
    inner = document.get("args", {})
    axis = inner.get("axis") if isinstance(inner, dict) and "axis" in inner else document.get("axis")
    try:
        return user, StopArgs.model_validate({"axis": axis}), ident
    except ValidationError:
        return user, StopArgs(), ident
