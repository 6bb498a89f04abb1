"""Connecting to a bench: which MQTT version the broker's port speaks, and which bench is on it."""

from __future__ import annotations

import asyncio
import dataclasses
from contextlib import AsyncExitStack

import aiomqtt

from benchd.errors import BenchdError, Refused
from benchd.files.broker_account import NO_ACCOUNT, Account, broker_url
from benchd.mqtt.connection import Endpoint, Version, endpoint_of, open_connection
from benchd.mqtt.topics import ROOT, is_name

DEFAULT_PORT = 1884


def where(host_or_url: str, port: int | None, account: Account = NO_ACCOUNT) -> Endpoint:
    """An endpoint from a host name, or from `mqtt://host[:port]` or `mqtts://..`. Raises Refused (bad_request) for
    anything else, and (not_allowed) if a password would go over a network unencrypted."""
    url = host_or_url if "://" in host_or_url else f"mqtt://{host_or_url}"
    at = endpoint_of(url, account)
    if port is not None or url != host_or_url:
        at = dataclasses.replace(at, port=port or DEFAULT_PORT)
    if account.password is not None and not at.tls and not broker_url(url).loopback:
        raise Refused(
            "not_allowed",
            f"The password is not sent to {at} where anybody on the way could read it.",
            advice=f"Name the broker as mqtts://{at.host}.",
        )
    return at


async def dial(stack: AsyncExitStack, at: Endpoint, version: Version | None) -> tuple[aiomqtt.Client, Endpoint]:
    """A connected client and the endpoint with the version that was spoken (5, else 3.1.1, unless one is given).

    Raises BenchdError (timeout) if no broker answers in either version.
    """
    tries: tuple[Version, ...] = (version,) if version else ("5", "3.1.1")
    reason = ""
    for each in tries:
        endpoint = dataclasses.replace(at, version=each)
        try:
            return await stack.enter_async_context(open_connection(endpoint, "benchd-client", queue=20_000)), endpoint
        except aiomqtt.MqttError as error:
            reason = str(error)
    advice = "Is `benchd up` running, and on this port?"
    if at.tls or at.account.user is not None or "authori" in reason:
        advice = "Is it the right account (--user, --password-file) and the right certificate (--ca-file)?"
    raise BenchdError("timeout", f"No MQTT broker answers at {at} ({reason}).", advice=advice)


async def find_bench(client: aiomqtt.Client, *, within_s: float = 3.0) -> str:
    """The name of the one bench that is on line. Raises BenchdError (timeout) for none, Refused for several."""
    topic = f"{ROOT}/+/online"
    await client.subscribe(topic)
    found: set[str] = set()
    loop = asyncio.get_running_loop()
    until = loop.time() + within_s
    try:
        async with asyncio.timeout_at(until) as limit:
            async for message in client.messages:
                name = str(message.topic).split("/")[1]
                if message.topic.matches(topic) and message.payload == b"true" and is_name(name):
                    found.add(name)
                    limit.reschedule(min(until, loop.time() + 0.15))  # the others, if any, come right behind
    except TimeoutError:
        pass
    await client.unsubscribe(topic)
    if len(found) > 1:
        raise Refused(
            "unknown_name", f"Several benches are on line: {', '.join(sorted(found))}.", advice="Name one of them."
        )
    if not found:
        raise BenchdError("timeout", "No bench is on line here.", advice="Start it with `benchd up`.")
    return found.pop()
