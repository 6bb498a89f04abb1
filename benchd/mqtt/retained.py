"""Clears retained messages that must not exist, at each connect.

These are retained commands, and documents of an earlier start about devices and findings that no longer exist: an
external broker outlives the daemon.

The clearing message is itself an empty live message on a command topic, and an empty `stop` is a stop. So it has a
mark (an MQTT 5 user property, drawn anew by every process) by which the daemon's own connections ignore it.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Container

import aiomqtt

from benchd.mqtt.connection import Endpoint, open_connection, publish_properties, subscribe
from benchd.mqtt.topics import Topics

_KEY = "benchd-clears"
_QUIET_S = 0.1
_MOST = 1000


class RetainedMessages:
    """Clears retained commands, and recognises its own clearing messages."""

    def __init__(self, topics: Topics) -> None:
        self._topics = topics
        self._mark = secrets.token_hex(8)

    def is_own(self, message: aiomqtt.Message) -> bool:
        """Whether this process sent the message in order to clear its topic."""
        given = getattr(message.properties, "UserProperty", None) or []
        return (_KEY, self._mark) in [tuple(pair) for pair in given]

    async def clear(self, client: aiomqtt.Client, topic: str, endpoint: Endpoint) -> None:
        """Clear one retained message. Without MQTT 5 there is no mark: a retained `stop` is then left."""
        if endpoint.version == "5":
            properties = publish_properties()
            properties.UserProperty = [(_KEY, self._mark)]
            await client.publish(topic, b"", qos=1, retain=True, properties=properties)
        elif not topic.endswith("/stop"):
            await client.publish(topic, b"", qos=1, retain=True)

    async def sweep(self, endpoint: Endpoint, kept: Container[str]) -> list[str]:
        """Find and clear retained messages, over a separate connection; gives the topics of cleared commands.

        All below `command/` is cleared, and devices and findings that are not among `kept` (below the bench).
        """
        found: list[str] = []
        async with open_connection(endpoint, "benchd-sweep") as client:
            for topic in (self._topics.all_commands, *self._topics.device_and_finding_topics):
                await subscribe(client, endpoint, topic)
            messages = client.messages
            while len(found) < _MOST:
                try:
                    async with asyncio.timeout(_QUIET_S):
                        message = await anext(messages)
                except TimeoutError:
                    break
                topic = str(message.topic)
                if message.retain and message.payload and self._topics.below(topic) not in kept:
                    found.append(topic)
            for topic in found:
                await self.clear(client, topic, endpoint)
        return [topic for topic in found if self._topics.is_command(topic)]
