"""Who has no client of the bench: raw messages to its broker."""

from __future__ import annotations

from collections import deque
from typing import Any

from tests.virtual.ends.broker_connection import MemoryClient
from tests.virtual.ends.broker_end import BROKERS, Published
from tests.virtual.lab import Lab
from tests.virtual.witness import BENCH

REPEATABLE = 200


class Stranger:
    """Raw messages: stops, nonsense, what was said before, what ought not to be retained."""

    def __init__(self, lab: Lab) -> None:
        self._lab = lab
        self._heard: deque[Published] = deque(maxlen=REPEATABLE)

    def hear(self, message: Published) -> None:
        """Keep commands for later."""
        if message.topic.startswith(f"{BENCH}command/") and not message.sender.startswith("stranger"):
            self._heard.append(message)

    async def act(self, do: str, args: dict[str, Any]) -> None:
        """Raises aiomqtt.MqttError."""
        broker = BROKERS.get(self._lab.broker_at)
        if broker is None:
            return
        client = MemoryClient(broker, f"stranger-{len(self._heard)}", None, 10)
        broker.clients.append(client)
        try:
            match do:
                case "stop":
                    await client.publish(f"{BENCH}command/stranger/stop", str(args.get("payload", "")), qos=1)
                case "repeat" if self._heard:
                    kept = self._heard[-1 - int(args.get("back", 0)) % len(self._heard)]
                    await client.publish(kept.topic, kept.payload, qos=1)
                case "retain" if self._heard:
                    kept = self._heard[-1 - int(args.get("back", 0)) % len(self._heard)]
                    await client.publish(kept.topic, kept.payload, qos=1, retain=True)
                case "repeat" | "retain":
                    pass  # nothing was said yet
                case "nonsense":
                    topic = str(args.get("topic", "command/stranger/move"))
                    await client.publish(BENCH + topic, str(args.get("payload", "{")), qos=1)
                case _:
                    raise ValueError(f"no stranger does '{do}'")
        finally:
            await client.close()
