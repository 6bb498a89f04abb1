"""A DMX line without a kernel or a thread: the same frames at the same times, on the event loop.

A port in memory carries no break, as a pseudo-terminal does not.
"""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Callable
from contextvars import copy_context

from benchd.devices import LinkError, now_s
from benchd_drivers.dmx_frame import NULL_START, data_s
from benchd_drivers.dmx_line import BREAK_SENT_S, MARK_SENT_S, PASSED_ON_S, Written
from benchd_drivers.dmx_link import DmxLink
from benchd_drivers.link.foreign import mapped
from benchd_drivers.link.transport import Transport
from tests.virtual.ends.serial_end import PORTS, MemoryPort, MemoryTransport


class MemoryLine(MemoryTransport):
    """What `DmxLine` is on a port; `MemoryTransport` knows who has that open."""

    def __init__(
        self, where: str, slots: int, period_s: float, write_timeout_s: float, on_lost: Callable[[Exception], None]
    ) -> None:
        self._where, self._slots = where, bytes(slots)
        self._period_s, self._write_timeout_s = period_s, write_timeout_s
        self._on_lost = on_lost
        self._loop = asyncio.get_running_loop()
        self._context = copy_context()
        self._port: MemoryPort | None = None
        self._asking: list[Written] = []
        self._timers: set[asyncio.TimerHandle] = set()
        self._free_s = self._next_s = 0.0
        self._ended = False

    async def start(self) -> None:
        port = PORTS.get(self._where)
        if port is None:
            gone = FileNotFoundError(errno.ENOENT, "gone")
            raise mapped(gone, f"{self._where} cannot be opened", "") from gone
        port.opened_by(self, 250_000)
        self._port = port
        self._at(now_s(), self._frame)

    def put(self, data: bytes, written: Written | None = None) -> object:
        self._slots = data
        if written is not None:
            self._asking.append(written)
        self._at(max(now_s(), self._free_s), self._frame_asked_for)
        return written

    def put_urgent(self, data: bytes, written: Written | None = None) -> None:
        self.put(data, written)

    async def stop(self) -> None:
        self.cut()
        await asyncio.sleep(0)

    def cut(self) -> None:
        self._ended = True
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()
        if self._port is not None:
            self._port.closed_by(self)
            self._port = None

    def arrived(self, data: bytes) -> None:
        """Nobody listens."""

    def offer(self) -> None:
        """What a port took nothing of is lost with it."""

    def _at(self, at_s: float, call: Callable[[], None]) -> None:
        def called() -> None:
            self._timers.discard(timer)
            if not self._ended:
                call()

        timer = self._loop.call_at(at_s, called, context=self._context)
        self._timers.add(timer)

    def _frame_asked_for(self) -> None:
        if self._asking and now_s() >= self._free_s:
            self._frame()

    def _frame(self) -> None:
        """One frame, and the next one when it is due."""
        if self._port is None or now_s() < self._free_s:
            return
        frame = NULL_START + self._slots
        if self._port.take(frame) < len(frame):
            self._at(now_s() + self._write_timeout_s, self._taken_nothing)
            self._free_s = now_s() + 2 * self._write_timeout_s
            return
        told, self._asking = self._asking, []
        self._free_s = now_s() + BREAK_SENT_S + MARK_SENT_S + data_s(len(self._slots)) + PASSED_ON_S
        self._at(self._free_s, lambda: self._through(told))
        self._next_s = due_s = now_s() + self._period_s
        self._at(due_s, lambda: self._frame() if self._next_s == due_s else None)

    def _through(self, told: list[Written]) -> None:
        for written in told:
            written(now_s())
        self._frame_asked_for()

    def _taken_nothing(self) -> None:
        self.broken(LinkError(f"it took no bytes for {self._write_timeout_s:g} s"))


class MemoryDmx(DmxLink):
    """A DMX line whose port is one of `PORTS`."""

    def _new_transport(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[Exception], None]) -> Transport:
        self._frame = bytearray(self._line.slots)
        return MemoryLine(self._where(), self._line.slots, self.refreshed_s, self._line.write_timeout_s, on_lost)
