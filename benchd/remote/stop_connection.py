"""The connection for `stop`: separate from the main one, without a queue and without checks.

From any user, with no id, no beat and no JSON: every message on `command/<anything>/stop` stops everything that moves,
and an axis named in it is passed on but does not narrow the stop. Only the stored copy of a retained message is not a
stop, since it is delivered at a (re)connect and not because a client asked.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable
from typing import Any

import aiomqtt
from pydantic import ValidationError

from benchd.commands.events import LimitedEvents
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
BY_HAND = "Use the emergency stop of the bench."

OnStop = Callable[[str, StopArgs], Awaitable[dict[str, Any] | None]]
"""Stops everything; called synchronously, before any later command. `user` is `?` if the topic has no valid name."""


class StopConnection:
    """Keeps the stop connection. `ready` is set while stops are received."""

    def __init__(
        self,
        endpoint: Callable[[], Endpoint],
        on_stop: OnStop,
        *,
        topics: Topics,
        events: LimitedEvents,
        retained: RetainedMessages,
        outages: Outages,
        clock: Clock,
    ) -> None:
        self._endpoint = endpoint
        self._at = endpoint()
        self._on_stop = on_stop
        self._topics = topics
        self._events = events
        self._retained = retained
        self._outages = outages
        self._clock = clock
        self._tasks: set[asyncio.Task[Any]] = set()
        self._stop_again = False
        self.ready = asyncio.Event()

    async def run(self) -> None:
        """Listen until cancelled; stops under way then get a second to end in order."""
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
        # Without retain-as-published the flag means 'stored copy', and a live stop never has it.
        await subscribe(client, self._at, self._topics.stops, qos=1, stored=False)
        self._outages.back("stop")
        self.ready.set()
        try:
            async for message in client.messages:
                if self._retained.is_own(message):
                    continue
                if message.retain:
                    self._events.tell("retained", "A stored stop was found at the connect; it was not carried out.")
                    await self._retained.clear(client, str(message.topic), self._at)
                    continue
                self._start(client, message)
        finally:
            self.ready.clear()

    def _start(self, client: aiomqtt.Client, message: aiomqtt.Message) -> None:
        """Begin each stop at once, concurrently; in a flood one more is begun when an earlier one has ended."""
        if len(self._tasks) >= _MOST_AT_ONCE:
            self._stop_again = True
            return
        user, args, ident = read_stop(self._topics, str(message.topic), bytes(message.payload))
        task = asyncio.create_task(self._stop(client, message, user, args, ident), name="mqtt-stop")
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        if self._stop_again and not task.cancelled():
            self._stop_again = False
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
            fault = BenchdError(error.code, error.text, advice=f"{error.advice} {BY_HAND}".strip(), data=error.data)
        except Exception:  # noqa: BLE001 any error of a driver: the next stop must still be received
            _log.exception("a stop failed")
            fault = BenchdError("device_fault", "The stop failed.", advice=BY_HAND)
        self._events.tell(fault.code, fault.text, severity="error", advice=fault.advice, data={"user": user})
        return {"ok": False, "error": fault.as_json()}


def read_stop(topics: Topics, topic: str, payload: bytes) -> tuple[str, StopArgs, str | None]:
    """User, arguments and the id for the reply; never raises, and a malformed message is still a stop."""
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
