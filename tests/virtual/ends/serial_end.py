"""A serial line without a kernel: what the simulated firmware calls its port, and a link that opens it.

As a pseudo-terminal it loses what is sent while nobody has it open, holds what a deaf device does not fetch, and fails
its reader when it is unplugged.
"""

from __future__ import annotations

import asyncio
import errno
from collections import deque
from collections.abc import Callable
from contextvars import copy_context
from dataclasses import dataclass
from pathlib import Path

from benchd.devices import LinkError, now_s
from benchd_drivers.link.foreign import mapped
from benchd_drivers.link.inflow import PORTION, Inflow
from benchd_drivers.link.port import SerialLink
from benchd_drivers.link.transport import Transport
from tests.virtual.life import outside

HELD_BYTES = 4096
"""What the kernel takes of a writer while the device reads nothing."""
PORTS: dict[str, MemoryPort] = {}
"""What is plugged in, by the path that a bench file names."""


class MemoryPort:
    """See `benchd_simulators.firmware.rig.SerialPort`. One host at a time has it open."""

    def __init__(self, link: Path, received: Callable[[bytes], None], opened: Callable[[], None]) -> None:
        self.link = link
        self.baud = 115200
        self.wrote: Callable[[bytes], None] = lambda _: None
        """Told of what the host writes, as it writes it: a device may be deaf to it for a while."""
        self._received = received
        self._opened = opened
        self._host: MemoryTransport | None = None
        self._deaf = False
        self._held = bytearray()

    # ---- the device's side

    @property
    def in_use(self) -> bool:
        return self._host is not None

    def plug(self) -> str:
        PORTS[str(self.link)] = self
        return str(self.link)

    def unplug(self) -> None:
        if PORTS.pop(str(self.link), None) is None:
            return
        host, self._host = self._host, None
        self._held.clear()
        if host is not None:
            host.broken(LinkError("it was unplugged or closed at the other end"))

    def deafen(self, deaf: bool) -> None:
        self._deaf = deaf
        if not deaf:
            data = bytes(self._held)
            self._held.clear()
            if data:
                self._received(data)
            if self._host is not None:
                self._host.offer()

    def write(self, data: bytes) -> None:
        if self._host is not None:
            self._host.arrived(data)

    # ---- the host's side

    def opened_by(self, host: MemoryTransport, baud: int) -> None:
        """Raises LinkError where somebody has it open."""
        if self._host is not None:
            raise LinkError(f"{self.link} is in use by another process.", advice="Close that program.")
        self._host, self.baud = host, baud
        self._held.clear()
        outside(self._opened)

    def closed_by(self, host: MemoryTransport) -> None:
        """Idempotent; also after it was unplugged."""
        if self._host is host:
            self._host = None

    def forsaken(self) -> None:
        """The process that had it open is gone, and was told nothing."""
        host, self._host = self._host, None
        if host is not None:
            host.cut()

    def take(self, data: bytes | memoryview) -> int:
        """How many of these bytes go onto the line or into the kernel's buffer."""
        taken = bytes(data[: HELD_BYTES - len(self._held)])
        if taken:
            self.wrote(taken)
        if self._deaf:
            self._held += taken
        else:
            outside(self._received, taken)
        return len(taken)


@dataclass(eq=False)
class _Frame:
    data: bytes
    rest: memoryview
    written: Callable[[float], None] | None
    deadline: float | None = None


class MemoryTransport(Transport):
    """The host's end, from `start` to `stop`. `alive` tells whether whoever holds it still does anything."""

    def __init__(
        self,
        where: str,
        baud: int,
        inflow: Inflow,
        write_timeout_s: float,
        on_bytes: Callable[[bytes], None],
        on_lost: Callable[[Exception], None],
    ) -> None:
        self._where, self._baud = where, baud
        self._inflow = inflow
        self._write_timeout_s = write_timeout_s
        self._on_bytes, self._on_lost = on_bytes, on_lost
        self._loop = asyncio.get_running_loop()
        self._context = copy_context()
        self._port: MemoryPort | None = None
        self._urgent: deque[_Frame] = deque()
        self._ordinary: deque[_Frame] = deque()
        self._coming = bytearray()
        self._reading: asyncio.Handle | None = None
        self._late: asyncio.TimerHandle | None = None
        self._ended = self._offering = False

    async def start(self) -> None:
        port = PORTS.get(self._where)
        if port is None:
            gone = FileNotFoundError(errno.ENOENT, "gone")
            raise mapped(gone, f"{self._where} cannot be opened", "") from gone
        port.opened_by(self, self._baud)
        self._port = port

    async def stop(self) -> None:
        self._ordinary.clear()
        self.offer()  # what is urgent and waiting is offered once more
        self.cut()
        await asyncio.sleep(0)

    def cut(self) -> None:
        """From now on nothing goes either way; the port is free."""
        self._ended = True
        for handle in (self._reading, self._late):
            if handle is not None:
                handle.cancel()
        if self._port is not None:
            self._port.closed_by(self)
            self._port = None

    # ---- out

    def put(self, data: bytes, written: Callable[[float], None] | None = None) -> object:
        frame = _Frame(data, memoryview(data), written)
        self._ordinary.append(frame)
        self.offer()
        return frame

    def put_urgent(self, data: bytes, written: Callable[[float], None] | None = None) -> None:
        self._urgent.append(_Frame(data, memoryview(data), written))
        self.offer()

    def withdraw(self, ticket: object) -> bool:
        for frame in self._ordinary:
            if frame is ticket and len(frame.rest) == len(frame.data):
                self._ordinary.remove(frame)
                return True
        return False

    def offer(self) -> None:
        """Write what goes; what the port does not take within the write time-out loses it."""
        self._offering = True  # an answer is never told before the writing of its question, however soon it comes
        try:
            self._offer()
        finally:
            self._offering = False
            self._read_soon()

    def _offer(self) -> None:
        while self._port is not None and (queue := self._urgent or self._ordinary):
            frame = queue[0]
            frame.deadline = frame.deadline or now_s() + self._write_timeout_s
            frame.rest = frame.rest[self._port.take(frame.rest) :]
            if frame.rest:
                if self._late is None:
                    self._late = self._loop.call_at(frame.deadline, self._too_late, frame, context=self._context)
                return
            queue.popleft()
            if self._late is not None:
                self._late.cancel()
                self._late = None
            if frame.written is not None:
                self._loop.call_soon(frame.written, now_s(), context=self._context)

    def _too_late(self, frame: _Frame) -> None:
        text = f"it took no bytes for {self._write_timeout_s:g} s ({len(frame.rest)} left to write)"
        self.broken(LinkError(text))

    # ---- in

    def arrived(self, data: bytes) -> None:
        """Bytes from the device, handed over in portions and no faster than it has reason to speak."""
        self._coming += data
        if not self._offering:
            self._read_soon()

    def _read_soon(self) -> None:
        if self._reading is None and self._coming and not self._ended:
            self._reading = self._loop.call_soon(self._read, context=self._context)

    def _read(self) -> None:
        self._reading = None
        if self._ended or not self._coming:
            return
        if wait_s := self._inflow.wait_s(now_s()):
            self._reading = self._loop.call_later(wait_s, self._read, context=self._context)
            return
        data = bytes(self._coming[:PORTION])
        del self._coming[:PORTION]
        try:
            self._inflow.took(len(data), now_s())
        except LinkError as flood:
            self.broken(flood)
            return
        self._read_soon()
        self._on_bytes(data)

    def broken(self, error: LinkError) -> None:
        """The port is lost; told once."""
        if not self._ended:
            self.cut()
            self._loop.call_soon(self._on_lost, error, context=self._context)


class MemoryLink(SerialLink):
    """A serial link whose port is one of `PORTS`; its keys are those of a serial link."""

    def _new_transport(
        self, on_bytes: Callable[[bytes], None], on_lost: Callable[[Exception], None]
    ) -> MemoryTransport:
        return MemoryTransport(
            self._where(), self._serial.baud, self._inflow(), self._config.write_timeout_s, on_bytes, on_lost
        )
