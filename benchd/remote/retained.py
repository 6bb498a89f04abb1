"""Commands that somebody left retained: found at each connect and cleared, so that they meet nobody again.

The clearing message is itself an empty live message on a command topic, and an empty `stop` is a stop. It carries a
mark (an MQTT 5 user property, drawn anew by every process) by which our own connections know and drop it.
"""

from __future__ import annotations

import asyncio
import secrets

import aiomqtt

from benchd.remote.topics import Topics
from benchd.remote.wire import Endpoint, open_wire, publish_properties, subscribe

_KEY = "benchd-clears"
_QUIET_S = 0.1
_MOST = 1000


class Clearing:
    """Clears retained commands, and recognises its own clearing messages when they come by."""

    def __init__(self, topics: Topics) -> None:
        self._topics = topics
        self._mark = secrets.token_hex(8)

    def is_own(self, message: aiomqtt.Message) -> bool:
        """Whether this process sent the message in order to clear its topic."""
        given = getattr(message.properties, "UserProperty", None) or []
        return (_KEY, self._mark) in [tuple(pair) for pair in given]

    async def clear(self, client: aiomqtt.Client, topic: str, endpoint: Endpoint) -> None:
        """Clear one retained command. Without MQTT 5 there is no mark: a `stop` is then left where it is."""
        if endpoint.version == "5":
            properties = publish_properties()
            properties.UserProperty = [(_KEY, self._mark)]
            await client.publish(topic, b"", qos=1, retain=True, properties=properties)
        elif not topic.endswith("/stop"):
            await client.publish(topic, b"", qos=1, retain=True)

    async def sweep(self, endpoint: Endpoint) -> list[str]:
        """Look for everything retained below `command/` on a connection of its own; clear and return the topics."""
        found: list[str] = []
        async with open_wire(endpoint, "benchd-sweep") as client:
            await subscribe(client, endpoint, self._topics.all_commands)
            messages = client.messages
            while len(found) < _MOST:
                try:
                    async with asyncio.timeout(_QUIET_S):
                        message = await anext(messages)
                except TimeoutError:
                    break
                if message.retain and message.payload:
                    found.append(str(message.topic))
            for topic in found:
                await self.clear(client, topic, endpoint)
        return found
