"""The client library, mended where it leaves things behind. Nothing else of benchd touches its private parts.

A broker that closes without an answer is told at once (wrong port, version or password), a connection given up half-way
leaves no socket and no task, a cancellation that arrives together with an acknowledgement is not lost, and a small
packet is acknowledged at once. None of this can be had by the public parts of aiomqtt 2.5 and paho-mqtt 2.2; both are
required in these minor versions, and `tests/mqtt/test_private_parts.py` says what to read again where one changes.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

import aiomqtt

T = TypeVar("T")


class Client(aiomqtt.Client):
    """The library's client with its faults mended; `context` is for TLS."""

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:
        """As the library's, but with `asyncio.timeout`: `asyncio.wait_for` of Python 3.11 swallows a cancellation
        if its awaitable is done in the same turn of the loop, and the task then never ends."""
        try:
            async with asyncio.timeout(self.timeout if timeout is None else timeout):
                return await fut
        except TimeoutError:
            raise aiomqtt.MqttError("no answer from the broker in time") from None

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        """As the library's, but ignores a socket that was closed meanwhile and has no file number any more."""
        if sock.fileno() > -1:
            self._loop.call_soon_threadsafe(self._write_when_ready, sock)

    def _write_when_ready(self, sock: Any) -> None:
        def write() -> None:
            try:
                self._client.loop_write()
            except Exception as error:  # noqa: BLE001 whatever it is, the connection is broken
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)

        if sock.fileno() > -1:
            self._loop.add_writer(sock.fileno(), write)

    def _on_message(self, *args: Any) -> None:
        self._acknowledge_now()
        super()._on_message(*args)

    def _on_publish(self, *args: Any) -> None:
        self._acknowledge_now()
        super()._on_publish(*args)

    def _acknowledge_now(self) -> None:
        """Make the kernel acknowledge at once. A broker that holds small packets back until then (iotcore sets no
        TCP_NODELAY) would otherwise delay the next message, perhaps a stop, by the 40 ms of a delayed ACK."""
        sock = self._client.socket()
        if isinstance(sock, socket.socket) and hasattr(socket, "TCP_QUICKACK"):
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)


def use_tls(client: aiomqtt.Client, context: ssl.SSLContext, host: str, timeout_s: float) -> None:
    """Have the client shake hands by `context`, for the certificate of `host`."""
    client._client._ssl_wrap_socket = _handshake(context, host, timeout_s)  # type: ignore[assignment,method-assign]


def _handshake(context: ssl.SSLContext, host: str, timeout_s: float) -> Callable[[socket.socket], ssl.SSLSocket]:
    """As the library's, but closes the socket if the handshake fails. Raises OSError."""

    def shake(plain: socket.socket) -> ssl.SSLSocket:
        wrapped = context.wrap_socket(plain, server_hostname=host, do_handshake_on_connect=False)
        try:
            wrapped.settimeout(timeout_s)
            wrapped.do_handshake()
        except BaseException:
            wrapped.close()
            raise
        return wrapped

    return shake


async def connect(client: aiomqtt.Client, timeout_s: float) -> None:
    """Connect, or leave nothing behind. Raises aiomqtt.MqttError, also where the broker closes without an answer."""
    paho = client._client
    paho.connect_timeout = timeout_s
    original = paho.on_disconnect

    def on_disconnect(*args: Any, **kwargs: Any) -> None:
        assert original is not None
        original(*args, **kwargs)
        if not client._connected.done():
            reason = "closed before an answer: wrong port, MQTT version or password?"
            client._connected.set_exception(aiomqtt.MqttError(reason))

    paho.on_disconnect = on_disconnect
    entering = asyncio.ensure_future(client.__aenter__())
    try:
        await asyncio.shield(entering)
    except asyncio.CancelledError:
        # The socket is opened in a thread: wait for it (bounded), so that nothing is opened after returning.
        await asyncio.wait({entering}, timeout=timeout_s)
        entering.cancel()
        await asyncio.wait({entering})
        await _abandon(client)
        raise
    except aiomqtt.MqttError:
        await _abandon(client)
        raise


async def close(client: aiomqtt.Client) -> None:
    """Close; idempotent, never raises, leaves neither socket nor task."""
    try:
        if not client._disconnected.done():
            await client.__aexit__(None, None, None)
    except aiomqtt.MqttError:
        pass  # it is closed below all the same
    finally:
        await _abandon(client)


async def _abandon(client: aiomqtt.Client) -> None:
    paho = client._client
    if paho.socket() is not None:
        paho._sock_close()
    for future in (client._disconnected, client._connected):
        if future.done() and not future.cancelled():
            future.exception()  # retrieved, so that the loop does not log it as never retrieved
    task = client._misc_task
    if task is not None and not task.done():
        task.cancel()
        await asyncio.wait({task})
