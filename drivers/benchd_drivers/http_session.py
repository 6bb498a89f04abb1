"""One kept-alive HTTP connection in a thread of its own: GET with one overall deadline, errors mapped in one place."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import socket
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol
from urllib.parse import urlsplit

from benchd.devices import LinkGarbled, LinkTimeout
from benchd_drivers.finishing import finish
from benchd_drivers.link.foreign import mapped

MostBytes = Callable[[bytearray], int]
"""How long a body may be, by what has come of it so far."""
HEAD = 1 << 18
"""So much is read at a time; the first of it tells what the body is."""
CONNECT_S = 1.5
"""A connection attempt cannot be cut short from outside, so it is short by itself."""


@dataclass(frozen=True, slots=True)
class Fetched:
    """A whole answer; times are monotonic: the request about to be written, the first bytes of the answer here."""

    status: int
    headers: dict[str, str]
    body: bytes
    asked: float
    came: float


class Session(Protocol):
    """GETs from one host, one at a time."""

    async def get(self, target: str, most: MostBytes, extra_s: float = 0.0) -> Fetched:
        """GET `target` (path and query). `extra_s` is added to the time-out, for an exposure.

        Raises LinkTimeout, LinkError, LinkGarbled (no HTTP, or a body of more than `most`), and what `most` raises.
        A cancelled call drops the connection, so that its answer cannot be taken for another's.
        """

    async def close(self) -> None:
        """Drop the connection."""


class HttpSession:
    """GETs from one host, one at a time. `close` ends the thread, whatever it is waiting for."""

    def __init__(self, name: str, url: str, timeout_s: float) -> None:
        parts = urlsplit(url)
        self._name = name
        self._where = f"{parts.scheme}://{parts.netloc}"
        self._secure = parts.scheme == "https"
        self._host, self._port = parts.hostname or "", parts.port
        self._timeout_s = timeout_s
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix=f"http {name}")
        self._connection: http.client.HTTPConnection | None = None
        self._socket: socket.socket | None = None
        self._turn = asyncio.Lock()
        self._given_up = False

    async def get(self, target: str, most: MostBytes, extra_s: float = 0.0) -> Fetched:
        """See `Session`."""
        limit_s = self._timeout_s + extra_s
        async with self._turn:
            self._given_up = False
            job = asyncio.get_running_loop().run_in_executor(self._pool, self._get, target, most, limit_s)
            try:
                async with asyncio.timeout(limit_s):
                    return await asyncio.shield(job)
            except TimeoutError:
                await self._abandon(job)
                raise self._timeout(target, limit_s) from None
            except asyncio.CancelledError:
                await self._abandon(job)
                raise

    async def close(self) -> None:
        """Drop the connection and join the thread."""
        self._cut()
        async with self._turn:
            await asyncio.get_running_loop().run_in_executor(self._pool, self._drop)
            self._pool.shutdown()

    async def _abandon(self, job: asyncio.Future[Fetched]) -> None:
        self._cut()
        await finish(_ended(job), f"end request of {self._name}")

    def _cut(self) -> None:
        """Wake a thread that waits on the socket, and let it not begin again."""
        self._given_up = True
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)

    def _timeout(self, target: str, limit_s: float) -> LinkTimeout:
        text = f"{self._where}{target} gave no whole answer in {limit_s:g} s."
        return LinkTimeout(text, advice="Check that the camera is on and reachable.", device=self._name)

    # ---- in the thread

    def _get(self, target: str, most: MostBytes, limit_s: float) -> Fetched:
        deadline = time.monotonic() + limit_s
        try:
            kept = self._connection is not None
            try:
                return self._once(target, most, deadline)
            except (http.client.RemoteDisconnected, ConnectionResetError, BrokenPipeError):
                self._drop()
                if not kept or self._given_up:
                    raise
                return self._once(target, most, deadline)  # the server had closed the idle connection
        except TimeoutError as error:
            self._drop()
            raise self._timeout(target, limit_s) from error
        except http.client.HTTPException as error:
            self._drop()
            raise LinkGarbled(
                f"{self._where} does not speak HTTP as it should: {type(error).__name__}.", device=self._name
            ) from error
        except OSError as error:
            self._drop()
            raise mapped(error, f"{self._where} cannot be read", self._name) from error
        except BaseException:
            self._drop()
            raise

    def _once(self, target: str, most: MostBytes, deadline: float) -> Fetched:
        connection = self._connection
        if connection is None:
            kind = http.client.HTTPSConnection if self._secure else http.client.HTTPConnection
            connection = kind(self._host, self._port, timeout=min(_left(deadline), CONNECT_S))
            self._connection = connection
            connection.connect()
            self._socket = connection.sock
        sock = connection.sock  # a body without a length takes it from the connection, and still has to be cut
        sock.settimeout(_left(deadline))
        asked = time.monotonic()
        connection.request("GET", target, headers={"Accept": "image/png, image/tiff, image/jpeg, application/json"})
        with contextlib.closing(connection.getresponse()) as response:
            came = time.monotonic()
            body = bytearray()
            while True:
                sock.settimeout(_left(deadline))
                piece = response.read1(HEAD)
                if not piece:
                    break
                body += piece
                self._bounded(most(body), len(body) + (response.length or 0))
            if response.length:
                raise http.client.IncompleteRead(b"", response.length)
        headers = {key.lower(): value for key, value in response.getheaders()}
        if response.will_close:
            self._drop()
        return Fetched(response.status, headers, bytes(body), asked, came)

    def _bounded(self, most: int, coming: int) -> None:
        if coming > most:
            raise LinkGarbled(
                f"{self._where} sends {coming / 1e6:.1f} MB and perhaps more, where {most / 1e6:.1f} MB are the most "
                "that can be meant.",
                advice="Check the address; where its pictures are as large as that, state largest_mb.",
                device=self._name,
            )

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = self._socket = None


async def _ended(job: asyncio.Future[Fetched]) -> None:
    await asyncio.wait({job})
    job.exception()


def _left(deadline: float) -> float:
    left = deadline - time.monotonic()
    if left <= 0:
        raise TimeoutError
    return left
