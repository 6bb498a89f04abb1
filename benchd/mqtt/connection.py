"""One MQTT connection, opened and closed cleanly whatever happens in between (`client` mends the library for it)."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import socket
import ssl
import string
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass
from typing import Any, Literal

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchd.errors import Refused
from benchd.files.broker_account import NO_ACCOUNT, Account, broker_url
from benchd.mqtt.client import Client, close, connect, use_tls

Version = Literal["3.1.1", "5"]
NO_DELAY = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
KEEPALIVE_S = 8
"""A dead connection shows after two of them and the library's look once a second: 18 s, of 20 allowed."""
REFUSED = 0x80
"""From here on the codes of an acknowledgement say no (MQTT 3.1.1, 3.9.3; MQTT 5, 2.4)."""
_ALPHABET = string.ascii_lowercase + string.digits
# The library logs every failed read and dropped message; an outage is told once, by `benchd.mqtt.keep_connected`.
_quiet = logging.getLogger("benchd.mqtt.library")
_quiet.setLevel(logging.CRITICAL + 1)


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where a broker listens and how to speak to it; `account` holds for `tls` what makes the broker known, too."""

    host: str
    port: int
    version: Version = "5"
    tls: bool = False
    account: Account = NO_ACCOUNT

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"


def endpoint_of(url: str, account: Account | None = None) -> Endpoint:
    """`mqtt://host[:port]` or `mqtts://`. Raises Refused (bad_request) for anything else, a secret in it before all."""
    try:
        at = broker_url(url)
    except ValueError as error:  # the text is not repeated: it may hold a password
        raise Refused("bad_request", "That is no broker.", advice=f"Give {error}.") from None
    return Endpoint(at.host, at.port, tls=at.tls, account=account or NO_ACCOUNT)


def random_id(prefix: str) -> str:
    """A client id nobody can guess and take over: `a-z 0-9 -` only, since brokers have died of others."""
    return f"{prefix}-" + "".join(secrets.choice(_ALPHABET) for _ in range(16))


class CountedQueue(asyncio.Queue[Any]):
    """A bounded queue that drops what does not fit and counts it, instead of a log line each."""

    dropped = 0

    def put_nowait(self, item: Any) -> None:
        """Put the item in, or drop and count it."""
        if self.full():
            self.dropped += 1
            return
        super().put_nowait(item)


def publish_properties() -> Properties:
    """Empty MQTT 5 properties of a publish."""
    return Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]


async def subscribe(
    client: aiomqtt.Client,
    endpoint: Endpoint,
    topic: str,
    *,
    qos: Literal[0, 1] = 0,
    stored: bool = True,
    keep_flag: bool = False,
    own: bool = True,
) -> None:
    """Subscribe, with the options that only MQTT 5 has (and not every broker honours) where it is spoken.

    `stored`: deliver what is retained; `keep_flag`: a live message keeps its retain flag; `own`: hear our own.
    """
    if endpoint.version != "5":
        _granted(topic, await client.subscribe(topic, qos=qos))
        return
    handling = SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE if stored else SubscribeOptions.RETAIN_DO_NOT_SEND
    options = SubscribeOptions(qos=qos, noLocal=not own, retainAsPublished=keep_flag, retainHandling=handling)
    _granted(topic, await client.subscribe(topic, options=options))


def _granted(topic: str, codes: Iterable[int | ReasonCode]) -> None:
    if any((code if isinstance(code, int) else code.value) >= REFUSED for code in codes):
        raise aiomqtt.MqttError(f"the broker lets us not hear {topic}: look at its access list")


@contextlib.asynccontextmanager
async def open_connection(
    endpoint: Endpoint,
    name: str,
    *,
    will: aiomqtt.Will | None = None,
    queue: int = 1000,
    timeout_s: float = 3.0,
) -> AsyncIterator[aiomqtt.Client]:
    """A connected client (keepalive 8 s, no Nagle delay, no session kept). Raises aiomqtt.MqttError.

    `name` begins the random client id; at most `queue` messages wait unread. On leaving, the connection is closed.
    """
    five = endpoint.version == "5"
    context = _tls(endpoint) if endpoint.tls else None
    client = Client(
        endpoint.host,
        endpoint.port,
        username=endpoint.account.user,
        password=endpoint.account.password,
        identifier=random_id(name),
        protocol=aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311,
        clean_session=None if five else True,
        clean_start=True if five else MQTT_CLEAN_START_FIRST_ONLY,
        keepalive=KEEPALIVE_S,
        timeout=timeout_s,
        will=will,
        logger=_quiet,
        queue_type=CountedQueue,
        max_queued_incoming_messages=queue,
        max_queued_outgoing_messages=1000,
        socket_options=NO_DELAY,
        tls_context=context,
    )
    if context is not None:
        use_tls(client, context, endpoint.host, timeout_s)
    await connect(client, timeout_s)
    try:
        yield client
    finally:
        await close(client)


def _tls(endpoint: Endpoint) -> ssl.SSLContext:
    """The broker's certificate must be signed by who is trusted, and for the host by which it was named."""
    return ssl.create_default_context(cafile=endpoint.account.ca_file)
