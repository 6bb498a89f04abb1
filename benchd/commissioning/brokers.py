"""Whether the broker of a bench file can be had, while the bench is not running."""

from __future__ import annotations

import dataclasses
import socket
from contextlib import AsyncExitStack

from benchd.broker.config import LOOPBACK, Ports
from benchd.broker.embedded import EmbeddedBroker
from benchd.client.dial import dial
from benchd.commissioning.diagnosis import Found
from benchd.devices.clock import Clock
from benchd.files.loading import LoadedBench
from benchd.files.mqtt_section import Mqtt
from benchd.mqtt.connection import endpoint_of

WHAT = "broker"


async def broker(loaded: LoadedBench) -> list[Found]:
    """The embedded one is started on ports of its own and spoken to; another one is dialled. Raises BenchdError."""
    mqtt = loaded.file.mqtt
    if mqtt.broker == "embedded":
        return await embedded(mqtt)
    at = endpoint_of(mqtt.broker, loaded.broker_account())
    async with AsyncExitStack() as stack:
        await dial(stack, at, None)
    return [Found(WHAT, "ok", f"The broker at {at} answers, and takes the account.")]


async def embedded(mqtt: Mqtt) -> list[Found]:
    """Raises BenchdError where it does not start, or does not answer."""
    async with EmbeddedBroker(Clock(), child=mqtt.child, ports=Ports(0, 0)) as started, AsyncExitStack() as stack:
        await dial(stack, dataclasses.replace(started.endpoint), "5")
        found = [Found(WHAT, "ok", f"The embedded broker ({started.child}) starts and answers.")]
    taken = [str(port) for port in mqtt.ports if port and not _is_free(port)]
    if taken:
        text = (
            f"Port {' and '.join(taken)} is taken by another program: free ones will be used, and told by `benchd up`."
        )
        found.append(
            Found(WHAT, "note", text, "Programs that look for the bench at the usual ports find the other one.")
        )
    return found


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return False
    return True
