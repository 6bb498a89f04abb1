"""A link over a port that one thread owns: opening under a lock, losing it, and closing it so that nothing is left."""

from __future__ import annotations

import asyncio
from abc import abstractmethod
from collections.abc import AsyncIterator, Callable, Sequence

from pydantic import BaseModel, ConfigDict, Field

from benchd.devices import FrameLog, Link, LinkError, Matcher, now_s
from benchd_drivers.channel import Channel
from benchd_drivers.finishing import finish
from benchd_drivers.link.foreign import mapped
from benchd_drivers.link.inflow import FLOODED, Flood, Inflow
from benchd_drivers.link.lock import PortLock, holder_of, in_use, spelt_alike
from benchd_drivers.link.questions import Questions
from benchd_drivers.link.ring import Ring
from benchd_drivers.link.thread import OpenPort, PortThread
from benchd_drivers.link.transport import Transport

MOST_BYTES = 4096
ALONE_S = 10.0
"""A link that was flooded is not opened again at once, as it would be flooded again."""


class PortConfig(BaseModel):
    """What every kind of port has."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    write_timeout_s: float = Field(default=0.5, gt=0, le=10)


class StreamConfig(PortConfig):
    """What every port of bytes without frames has: how long an answer may be."""

    answer_bytes: int = Field(default=MOST_BYTES, ge=64, le=1 << 20)


class PortLink(Link):
    """See `benchd.devices.Link` for the contracts. Opening again after a loss is left to the caller."""

    def __init__(self, name: str, config: PortConfig) -> None:
        most_bytes = config.answer_bytes if isinstance(config, StreamConfig) else MOST_BYTES
        self.name = name
        self._config = config
        self._transport: Transport | None = None
        self._lock: PortLock | None = None
        self._why_lost: LinkError | None = None
        self._connected = False
        self._alone_until = 0.0
        self._changing = asyncio.Lock()
        self._ring = Ring()
        self._lines: Channel[bytes] = Channel()
        self._questions = Questions(name, most_bytes, self._port, self._lines, self._ring)

    @abstractmethod
    def _where(self) -> str:
        """The port as people call it, found anew (blocking; runs in the port's thread)."""

    @abstractmethod
    def _open_port(self, where: str) -> OpenPort:
        """Open it (blocking; runs in the port's thread)."""

    def where(self) -> str:
        return self._where()

    @property
    def stated_end(self) -> tuple[str, str] | None:
        for key in ("port", "url", "resource"):
            if getattr(self._config, key, None) is not None:
                return key, spelt_alike(self._where())
        return None

    def _inflow(self) -> Inflow:
        """What may come, of a line of no known speed."""
        return Inflow(128_000.0, "as nothing that is asked line by line does")

    # ---- open and close

    async def open(self) -> None:
        async with self._changing:
            if self._connected:
                return
            left_s = self._alone_until - now_s()
            if left_s > 0.0:
                text = f"Link {self.name} was flooded and is left alone for {left_s:.0f} s more."
                raise LinkError(text, advice=FLOODED, device=self.name)
            await self._end_transport()
            self._questions.restart()
            self._why_lost = None
            transport = self._new_transport(
                lambda data: self._received(transport, data), lambda error: self._lost(transport, error)
            )
            self._transport = transport
            try:
                await transport.start()
            except (LinkError, asyncio.CancelledError):
                await finish(self._end_transport(), f"close link {self.name}")
                raise
            self._connected = True

    def _new_transport(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[Exception], None]) -> Transport:
        """What the bytes will go by, not yet started."""
        return PortThread(
            f"link {self.name}",
            self._open_exclusively,
            on_bytes,
            on_lost,
            self._config.write_timeout_s,
            self._inflow(),
        )

    def _open_exclusively(self) -> OpenPort:
        try:
            where = self._where()
            lock = PortLock(where, self.name)
            lock.take()
        except OSError as error:
            raise mapped(error, f"The port of link {self.name} cannot be locked", self.name) from error
        try:
            port = self._open_port(where)
        except Exception as error:
            lock.release()
            if isinstance(error, LinkError):
                raise
            holder = holder_of(where) if where.startswith("/") and "lock" in str(error) else ""
            if holder:
                raise in_use(where, holder, self.name) from error
            raise mapped(error, f"{where} cannot be opened", self.name) from error
        self._lock = lock
        return port

    async def close(self) -> None:
        async with self._changing:
            self._part(LinkError(f"Link {self.name} is closed.", device=self.name))
            await finish(self._end_transport(), f"close link {self.name}")

    async def _end_transport(self) -> None:
        if self._transport is not None:
            await self._transport.stop()
            self._transport = None
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _lost(self, transport: Transport, error: Exception) -> None:
        if transport is self._transport:
            if isinstance(error, Flood):
                self._alone_until = now_s() + ALONE_S
            if isinstance(error, LinkError):
                lost = LinkError(f"Link {self.name} is lost: {error.text}.", advice=error.advice, device=self.name)
            else:
                lost = mapped(error, f"Link {self.name} is lost", self.name)
            lost.frames = tuple(self.recent)
            self._part(lost)

    def _part(self, why: LinkError) -> None:
        self._connected = False
        self._why_lost = why
        self._questions.lost(why)
        self._lines.end()

    @property
    def connected(self) -> bool:
        return self._connected

    @property
    def why_lost(self) -> str:
        return "" if self._why_lost is None else str(self._why_lost)

    def _port(self) -> Transport:
        if self._transport is None or not self._connected:
            why = self._why_lost
            raise LinkError(
                why.text if why else f"Link {self.name} is not open.",
                advice=why.advice if why else "",
                device=self.name,
                frames=self.recent,
            )
        return self._transport

    # ---- bytes

    def urgent(self, data: bytes) -> None:
        self._port().put_urgent(data, lambda t_mono: self._ring.log("out", data, t_mono))

    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        return await self._questions.ask(data, until, timeout_s)

    def _received(self, transport: Transport, data: bytes) -> None:
        if transport is self._transport and self._connected:
            self._ring.log("in", data, now_s())
            self._questions.received(data)

    def listen(self) -> AsyncIterator[bytes]:
        listener = self._lines.listen()
        if not self._connected:
            listener.end()
        return listener

    @property
    def recent(self) -> Sequence[FrameLog]:
        return self._ring.frames
