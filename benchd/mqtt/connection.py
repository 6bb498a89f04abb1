"""One MQTT connection, opened and closed cleanly whatever happens in between (`client` mends the library for it)."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import socket
import ssl
import string
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass
from typing import Any, Literal

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchd.errors import BenchdError, Refused
from benchd.files.broker_account import CARRIERS, NO_ACCOUNT, Account, broker_url
from benchd.mqtt.client import Client, close, connect, use_tls
from benchd.plugins import registered

Version = Literal["3.1.1", "5"]
NO_DELAY = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
KEEPALIVE_S = 8
"""A dead connection is noticed after two of them plus the library's check once a second: 18 s, of 20 allowed."""
REFUSED = 0x80
"""Reason codes of an acknowledgement from here on mean failure (MQTT 3.1.1, 3.9.3; MQTT 5, 2.4)."""
_ALPHABET = string.ascii_lowercase + string.digits
# The library logs every failed read and dropped message; `benchd.mqtt.keep_connected` logs an outage once.
_quiet = logging.getLogger("benchd.mqtt.library")
_quiet.setLevel(logging.CRITICAL + 1)


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Address and protocol of a broker; `account` also holds the CA file for `tls`, `carrier` is as in `BrokerUrl`."""

    host: str
    port: int
    version: Version = "5"
    tls: bool = False
    account: Account = NO_ACCOUNT
    carrier: str | None = None

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.carrier or ('mqtts' if self.tls else 'mqtt')}://{host}:{self.port}"


def endpoint_of(url: str, account: Account | None = None) -> Endpoint:
    """`mqtt://host[:port]` or `mqtts://`. Raises Refused (bad_request) for anything else, such as a password in it."""
    try:
        at = broker_url(url)
    except ValueError as error:  # the text is not repeated: it may hold a password
        raise Refused("bad_request", "That is no broker.", advice=f"Give {error}.") from None
    return Endpoint(at.host, at.port, tls=at.tls, account=account or NO_ACCOUNT, carrier=at.carrier)


def random_id(prefix: str) -> str:
    """A client id that cannot be guessed and taken over: `a-z 0-9 -` only, since other characters crashed brokers."""
    return f"{prefix}-" + "".join(secrets.choice(_ALPHABET) for _ in range(16))


class CountedQueue(asyncio.Queue[Any]):
    """A bounded queue that drops and counts items when full, instead of logging each."""

    dropped = 0

    def put_nowait(self, item: Any) -> None:
        """Queue the item, or drop and count it."""
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
    """Subscribe; with MQTT 5 the options apply (if the broker honours them), with MQTT 3.1.1 they are ignored.

    `stored`: deliver retained messages; `keep_flag`: a live message keeps its retain flag; `own`: receive own messages.
    """
    if endpoint.version != "5":
        _check_granted(topic, await client.subscribe(topic, qos=qos))
        return
    handling = SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE if stored else SubscribeOptions.RETAIN_DO_NOT_SEND
    options = SubscribeOptions(qos=qos, noLocal=not own, retainAsPublished=keep_flag, retainHandling=handling)
    _check_granted(topic, await client.subscribe(topic, options=options))


def _check_granted(topic: str, codes: Iterable[int | ReasonCode]) -> None:
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
    if endpoint.carrier is not None:
        async with _carried(endpoint.carrier)(endpoint, name, will=will, queue=queue, timeout_s=timeout_s) as carried:
            yield carried
        return
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


def _carried(carrier: str) -> Callable[..., contextlib.AbstractAsyncContextManager[aiomqtt.Client]]:
    """What a package opens connections by. Raises BenchdError (device_fault) where it cannot be loaded."""
    (point, *_) = registered(CARRIERS).select(name=carrier)
    try:
        found: Callable[..., contextlib.AbstractAsyncContextManager[aiomqtt.Client]] = point.load()
    except Exception as error:
        raise BenchdError(
            "device_fault",
            f"What carries {carrier}:// cannot be loaded: {type(error).__name__}: {error}.",
            advice="Install a version of that package that goes with this benchd, or name a broker by mqtt://.",
        ) from error
    return found


def _tls(endpoint: Endpoint) -> ssl.SSLContext:
    """The broker's certificate must be signed by a trusted CA, for the host name in the endpoint."""
    return ssl.create_default_context(cafile=endpoint.account.ca_file)
