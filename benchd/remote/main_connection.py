"""The main connection: commands in, replies and notices out. Stops have their own connection (`stop_connection`)."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import Any

import aiomqtt

from benchd.bench.notices import Notices
from benchd.commands.events import LimitedEvents
from benchd.commands.intake import Intake
from benchd.devices.clock import Clock
from benchd.errors import Refused
from benchd.mqtt.connection import Endpoint, open_connection, publish_properties, subscribe
from benchd.mqtt.keep_connected import Outages, stay_connected
from benchd.mqtt.retained import RetainedMessages
from benchd.mqtt.topics import Topics
from benchd.remote.encoding import encode
from benchd.remote.publisher import Publisher

MOST_AT_ONCE = 256
FIRST_TURNS = 3
"""Turns of the event loop before a reply is sent, in which the job that the command began can write its first bytes."""
_LONGEST_CORRELATION = 1024


class Connection:
    """Keeps the bench connected to a broker. `ready` is set while it is subscribed and has published `online`.

    `endpoint` is called before each attempt: an embedded broker may come back on another port.
    """

    def __init__(
        self,
        endpoint: Callable[[], Endpoint],
        *,
        topics: Topics,
        intake: Intake,
        notices: Notices,
        events: LimitedEvents,
        retained: RetainedMessages,
        outages: Outages,
        clock: Clock,
    ) -> None:
        self._endpoint = endpoint
        self._topics = topics
        self._intake = intake
        self._events = events
        self._retained = retained
        self._outages = outages
        self._clock = clock
        self._notices = notices
        self._publisher = Publisher(notices, topics, clock)
        self._at: Endpoint = endpoint()
        self._tasks: set[asyncio.Task[None]] = set()
        self._offline = asyncio.Event()  # somebody said so
        self.ready = asyncio.Event()
        self.dropped = 0

    async def run(self) -> None:
        """Serve until cancelled; then publish `online` false and close."""
        try:
            await stay_connected("main", self._open, self._serve, self._outages, self._clock)
        finally:
            for task in self._tasks:
                task.cancel()
            if self._tasks:
                await asyncio.wait(self._tasks)

    def _open(self) -> contextlib.AbstractAsyncContextManager[aiomqtt.Client]:
        self._at = self._endpoint()
        will = aiomqtt.Will(self._topics.online, b"false", qos=1, retain=True)
        return open_connection(self._at, "benchd", will=will)

    async def _serve(self, client: aiomqtt.Client) -> None:
        try:
            await self._sweep()
            await self._subscribe(client)
            await self._sweep()  # of what came to be retained between the two; from now on it comes with its flag
            async with asyncio.TaskGroup() as group:
                group.create_task(self._publisher.run(client), name="mqtt-publish")
                # A broker may hold documents of an earlier start: `online` comes only after they are replaced.
                await self._publisher.kept_sent.wait()
                await client.publish(self._topics.online, b"true", qos=1, retain=True)
                self._outages.back("main")
                self.ready.set()
                group.create_task(self._read(client), name="mqtt-commands")
                group.create_task(self._stay_online(client), name="mqtt-online")
        except asyncio.CancelledError:
            with contextlib.suppress(aiomqtt.MqttError):
                await client.publish(self._topics.online, b"false", qos=1, retain=True, timeout=0.5)
            raise
        finally:
            # Commands under way continue: they end in order even while replies cannot be sent.
            self.ready.clear()

    async def _sweep(self) -> None:
        for topic in await self._retained.sweep(self._at, self._notices.snapshot()):
            self._report_retained(topic)

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        """Subscribe to commands first: clients learn the epoch only from documents published afterwards."""
        await subscribe(client, self._at, self._topics.commands, qos=1, stored=False, keep_flag=True, own=False)
        for topic in self._topics.kept_topics:
            await subscribe(client, self._at, topic, stored=False, own=False)

    async def _read(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            topic = str(message.topic)
            if not self._topics.is_command(topic):
                if topic == self._topics.online:
                    if bytes(message.payload) != b"true":
                        self._offline.set()
                elif not message.payload:
                    self._publisher.again(self._topics.below(topic) or "")
            elif self._retained.is_own(message) or topic.endswith("/stop"):  # stops come by the stop connection
                continue
            else:
                if len(self._tasks) >= MOST_AT_ONCE:
                    self.dropped += 1
                    self._events.tell("busy", "Commands come faster than they are answered; some were dropped.")
                    continue
                task = asyncio.create_task(self._answer(client, message), name="mqtt-command")
                self._tasks.add(task)
                task.add_done_callback(self._tasks.discard)

    async def _stay_online(self, client: aiomqtt.Client) -> None:
        """Publish `online` true again if a client cleared it, or the last will of an earlier connection came late.

        Such a connection hung, and what had been sent over it came just before: it stands over what is so now.
        """
        while True:
            await self._offline.wait()
            self._offline.clear()
            await self._publisher.all_again()
            await client.publish(self._topics.online, b"true", qos=1, retain=True)

    async def _answer(self, client: aiomqtt.Client, message: aiomqtt.Message) -> None:
        topic = str(message.topic)
        reply = await self._intake.handle(
            self._topics.command_address(topic), bytes(message.payload), retained=message.retain
        )
        with self._publisher.reply_first(reply["id"]):
            for _ in range(FIRST_TURNS):
                await asyncio.sleep(0)
            with contextlib.suppress(aiomqtt.MqttError):  # the reader notices the lost connection; the id stays used
                if message.retain:
                    await self._retained.clear(client, topic, self._at)
                await send_reply(client, self._topics, message, reply)

    def _report_retained(self, topic: str) -> None:
        self._events.tell(
            "retained", "A retained command was found and cleared; it was not carried out.", data={"topic": topic[:200]}
        )


async def send_reply(client: aiomqtt.Client, topics: Topics, message: aiomqtt.Message, reply: dict[str, Any]) -> None:
    """Send the reply to `reply/<user>`, and to the MQTT 5 response topic if a permitted one was given."""
    payload = encode(reply)
    correlation = getattr(message.properties, "CorrelationData", None)
    response = getattr(message.properties, "ResponseTopic", None)
    properties = None
    if correlation is not None and len(correlation) <= _LONGEST_CORRELATION:
        properties = publish_properties()
        properties.CorrelationData = correlation
    user = "?"
    places: list[str] = []
    with contextlib.suppress(Refused):
        user = topics.parse_command(str(message.topic)).user
        places.append(topics.reply(user))
    if response is not None and response not in places and topics.may_answer_at(response, user):
        places.append(response)
    for place in places:
        await client.publish(place, payload, qos=1, properties=properties)
