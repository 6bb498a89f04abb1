"""A camera's HTTP without sockets: the simulated camera's own talk, and a session of the driver that reads it."""

from __future__ import annotations

import asyncio
import errno
from datetime import datetime
from typing import Any, cast
from urllib.parse import urlsplit

from benchd.devices import Link, LinkGarbled, LinkTimeout, now_s, now_utc
from benchd_drivers.http_camera import HttpCamera, HttpCameraConfig
from benchd_drivers.http_session import Fetched, MostBytes, Session
from benchd_drivers.http_stream import Dial
from benchd_drivers.link.foreign import mapped
from benchd_simulators.firmware.camera import NetworkCamera
from benchd_simulators.firmware.http import MOST_HEAD
from tests.virtual.life import OUTSIDE

CAMERAS: dict[str, MemoryCamera] = {}
"""Those that are plugged in, by the host of their URL."""


class MemoryCamera(NetworkCamera):
    """The simulated camera under a name instead of a port."""

    where = ""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.dialled_by: list[_Writer] = []

    def now_utc(self) -> datetime:
        return now_utc()

    async def plug(self, port: int = 0) -> None:
        CAMERAS[self.where] = self

    async def unplug(self) -> None:
        if CAMERAS.get(self.where) is self:
            del CAMERAS[self.where]
        talks = tuple(self._talks)
        for task in talks:
            task.cancel()
        if talks:
            await asyncio.wait(talks)

    def dialled(self) -> tuple[asyncio.StreamReader, _Writer]:
        """A connection: what the host reads, and where it writes."""
        loop = asyncio.get_running_loop()
        to_host, to_camera = asyncio.StreamReader(loop=loop), asyncio.StreamReader(MOST_HEAD, loop=loop)
        writer = _Writer(to_camera)
        talking = loop.create_task(
            self._connected(to_camera, cast(asyncio.StreamWriter, _Writer(to_host))),
            name="camera talk",
            context=OUTSIDE,
        )
        self.dialled_by.append(writer)

        def ended(_: asyncio.Task[None]) -> None:
            self.dialled_by.remove(writer)
            to_host.feed_eof()

        talking.add_done_callback(ended, context=OUTSIDE)
        return to_host, writer

    def forsaken(self) -> None:
        """Whoever had a connection is gone."""
        for writer in self.dialled_by:
            writer.close()


class _Writer:
    """As much of a stream's writer as is used."""

    def __init__(self, peer: asyncio.StreamReader) -> None:
        self._peer = peer
        self._open = True

    def write(self, data: bytes) -> None:
        if self._open:
            self._peer.feed_data(data)

    async def drain(self) -> None:
        await asyncio.sleep(0)

    def close(self) -> None:
        if self._open:
            self._open = False
            self._peer.feed_eof()


class MemorySession(Session):
    """See `Session`: the same deadline and the same errors as over a socket."""

    def __init__(self, name: str, url: str, timeout_s: float) -> None:
        self._name = name
        parts = urlsplit(url)
        self._host, self._where = parts.netloc, f"{parts.scheme}://{parts.netloc}"
        self._timeout_s = timeout_s
        self._turn = asyncio.Lock()
        self._kept: tuple[asyncio.StreamReader, _Writer] | None = None

    async def get(self, target: str, most: MostBytes, extra_s: float = 0.0) -> Fetched:
        limit_s = self._timeout_s + extra_s
        async with self._turn:
            try:
                async with asyncio.timeout(limit_s):
                    return await self._get(target, most)
            except TimeoutError:
                self._drop()
                text = f"{self._where}{target} gave no whole answer in {limit_s:g} s."
                advice = "Check that the camera is on and reachable."
                raise LinkTimeout(text, advice=advice, device=self._name) from None
            except OSError as error:
                self._drop()
                raise mapped(error, f"{self._where} cannot be read", self._name) from error
            except BaseException:
                self._drop()
                raise

    async def close(self) -> None:
        self._drop()

    def _drop(self) -> None:
        if self._kept is not None:
            self._kept[1].close()
            self._kept = None

    async def _get(self, target: str, most: MostBytes) -> Fetched:
        kept = self._kept is not None
        try:
            return await self._once(target, most)
        except ConnectionResetError:
            self._drop()
            if not kept:
                raise
            return await self._once(target, most)

    async def _once(self, target: str, most: MostBytes) -> Fetched:
        if self._kept is None:
            if (camera := CAMERAS.get(self._host)) is None:
                raise ConnectionRefusedError(errno.ECONNREFUSED, "refused")
            self._kept = camera.dialled()
        reader, writer = self._kept
        asked = now_s()
        writer.write(f"GET {target} HTTP/1.1\r\nHost: {self._host}\r\n\r\n".encode())
        try:
            head = await reader.readuntil(b"\r\n\r\n")
            came = now_s()
            first, *lines = head.decode("latin-1").split("\r\n")
            headers = {key.lower(): value.strip() for key, _, value in (line.partition(":") for line in lines if line)}
            body = bytearray()
            length = int(headers["content-length"])
            while len(body) < length:
                piece = await reader.read(length - len(body))
                if not piece:
                    raise LinkGarbled(
                        f"{self._where} does not speak HTTP as it should: IncompleteRead.", device=self._name
                    )
                body += piece
                if (bound := most(body)) < length:
                    raise LinkGarbled(f"{self._where} sends more than {bound} bytes.", device=self._name)
        except asyncio.IncompleteReadError:
            raise ConnectionResetError(errno.ECONNRESET, "reset") from None
        if headers.get("connection") == "close":
            self._drop()
        return Fetched(int(first.split(" ")[1]), headers, bytes(body), asked, came)


class CameraByMemory(HttpCamera):
    """The HTTP camera whose connections stay on this loop."""

    @classmethod
    def create(cls, name: str, config: HttpCameraConfig, link: Link | None) -> HttpCamera:
        return cls(name, config)

    def _new_session(self) -> Session:
        return MemorySession(self.name, self._config.url, self._config.timeout_s)

    @property
    def _dial(self) -> Dial:
        async def dial(url: str) -> tuple[asyncio.StreamReader, _Writer]:
            if (camera := CAMERAS.get(urlsplit(url).netloc)) is None:
                raise ConnectionRefusedError(errno.ECONNREFUSED, "refused")
            return camera.dialled()

        return dial
