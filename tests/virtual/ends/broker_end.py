"""An MQTT 5 broker without sockets: what it takes in, keeps and passes on (OASIS MQTT 5.0: 3.3.1.3)."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from paho.mqtt.properties import Properties

if TYPE_CHECKING:
    from tests.virtual.ends.broker_connection import MemoryClient

BROKERS: dict[str, MemoryBroker] = {}
"""Those that listen, by host and port."""


@dataclass(frozen=True, slots=True)
class Published:
    """One message as the broker takes it in."""

    sender: str
    topic: str
    payload: bytes
    qos: int
    retain: bool
    properties: Properties | None

    @property
    def of_the_daemon(self) -> bool:
        """Whether the daemon sent it, and no client of the bench."""
        return of_the_daemon(self.sender)


def of_the_daemon(name: str) -> bool:
    """Whether a connection of this name is one of the daemon's."""
    return name.startswith("benchd-") and not name.startswith("benchd-client")


@dataclass
class MemoryBroker:
    """`seen` is told of every message as the broker takes it in. `seed` draws what the network does."""

    where: str
    seed: int = 0
    seen: Callable[[Published], None] = lambda _: None
    delivered: Callable[[MemoryClient, Published], None] = lambda _, __: None
    """Told as a message comes out at a client's end."""
    clients: list[MemoryClient] = field(default_factory=list)
    kept: dict[str, Published] = field(default_factory=dict)
    twice: int = 0
    """So many of the next messages are delivered twice."""

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)

    def start(self) -> None:
        BROKERS[self.where] = self

    def stop(self, *, forget: bool = False) -> None:
        """Nobody is answered any more; `forget` what was retained, as a broker without a disk does."""
        BROKERS.pop(self.where, None)
        for client in tuple(self.clients):
            client.cut(will=False)
        if forget:
            self.kept.clear()

    def take(self, message: Published) -> None:
        """Keep and pass on one message."""
        self.seen(message)
        if message.retain and message.payload:
            self.kept[message.topic] = message
        elif message.retain:
            self.kept.pop(message.topic, None)
        for client in tuple(self.clients):
            client.passed(message)
