"""The one thread that owns a DMX line: it repeats the frame until it is stopped, whatever the event loop is about.

Dimmers take the silence of a second for a lost line, so that a frame is due even where nothing has changed. What did
change goes out as soon as the frame before it is through, and is told as sent when its last slot is: a port that is
closed sooner may swallow it.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import threading
import time
from collections.abc import Callable
from typing import Protocol

from benchd.devices import LinkError
from benchd_drivers.dmx_frame import BREAK_S, MARK_S, NULL_START, data_s
from benchd_drivers.link.transport import Transport

BREAK_SENT_S, MARK_SENT_S = 2 * BREAK_S, 2 * MARK_S
"""Twice the least: the adapter begins and ends a break in its own time."""
PASSED_ON_S = 0.002
"""What an adapter may hold beside what is on the line: a break is not queued behind the slots, it cuts them."""


class BreakPort(Protocol):
    """A serial port that can be held at a break. `write` takes what goes without waiting, or raises BlockingIOError."""

    def fileno(self) -> int: ...
    def space(self, on: bool) -> None: ...
    def write(self, data: memoryview) -> int: ...
    def unsent(self) -> int: ...
    def close(self) -> None: ...


Written = Callable[[float], None]


class DmxLine(Transport):
    """See `Transport`: what is put is what each frame carries from then on, without its start code."""

    def __init__(
        self,
        name: str,
        open_port: Callable[[], BreakPort],
        on_lost: Callable[[Exception], None],
        *,
        slots: int,
        period_s: float,
        write_timeout_s: float,
    ) -> None:
        self._open_port, self._on_lost = open_port, on_lost
        self._period_s, self._write_timeout_s = period_s, write_timeout_s
        self._loop = asyncio.get_running_loop()
        self._opened: asyncio.Future[None] = self._loop.create_future()
        self._ended: asyncio.Future[None] = self._loop.create_future()
        self._slots = bytes(slots)
        self._asking: list[Written] = []
        self._lock = threading.Lock()  # of the two above
        self._due = threading.Event()
        self._stopping = threading.Event()
        self._wake_r, self._wake_w = os.pipe()
        self._thread = threading.Thread(target=self._run, name=name)

    async def start(self) -> None:
        self._thread.start()
        await asyncio.shield(self._opened)

    def put(self, data: bytes, written: Written | None = None) -> object:
        with self._lock:
            self._slots = bytes(data)
            if written is not None:
                self._asking.append(written)
        self._due.set()
        return written

    def put_urgent(self, data: bytes, written: Written | None = None) -> None:
        """The same: nothing waits before it."""
        self.put(data, written)

    def withdraw(self, ticket: object) -> bool:
        """Never: what was put is replaced by putting something else."""
        return False

    async def stop(self) -> None:
        self._stopping.set()
        self._due.set()
        with contextlib.suppress(OSError):
            os.write(self._wake_w, b"\0")
        await asyncio.shield(self._ended)
        self._thread.join()
        if self._opened.done():
            self._opened.exception()  # a caller that was cancelled while opening did not fetch it
        for fd in (self._wake_r, self._wake_w):
            with contextlib.suppress(OSError):
                os.close(fd)
        self._wake_r = self._wake_w = -1

    # ---- in the thread

    def _tell(self, call: Callable[..., None], *args: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to be told
            self._loop.call_soon_threadsafe(call, *args)

    def _run(self) -> None:
        port: BreakPort | None = None
        try:
            try:
                port = self._open_port()
            except Exception as error:  # noqa: BLE001 - carried to the one who opens, whatever it is
                self._tell(_settle, self._opened, error)
                return
            self._tell(_settle, self._opened, None)
            try:
                self._repeat(port)
            except Exception as error:  # noqa: BLE001 - every failure here means that the port is lost
                if not self._stopping.is_set():
                    self._tell(self._on_lost, error)
        finally:
            if port is not None:
                with contextlib.suppress(OSError):
                    port.close()
            self._tell(_settle, self._ended, None)

    def _repeat(self, port: BreakPort) -> None:
        while not self._stopping.is_set():
            next_s = time.monotonic() + self._period_s
            self._due.clear()
            with self._lock:
                slots, told = self._slots, self._asking
                self._asking = []
            self._send(port, slots)
            for written in told:
                self._tell(written, time.monotonic())
            self._due.wait(max(0.0, next_s - time.monotonic()))

    def _send(self, port: BreakPort, slots: bytes) -> None:
        """One frame, until it is through. Raises OSError, and LinkError where the port does not take it in time."""
        port.space(True)
        try:
            time.sleep(BREAK_SENT_S)
        finally:
            port.space(False)
        time.sleep(MARK_SENT_S)
        ends_s = time.monotonic() + self._write_timeout_s
        rest = memoryview(NULL_START + slots)
        while rest:
            with contextlib.suppress(BlockingIOError):
                rest = rest[port.write(rest) :]
            if rest and self._stopping.is_set():
                return
            if rest:
                self._wait_writable(port, ends_s, len(rest))
        time.sleep(data_s(len(slots)) + PASSED_ON_S)
        ends_s = time.monotonic() + self._write_timeout_s
        while port.unsent() and not self._stopping.is_set():
            if time.monotonic() > ends_s:
                raise LinkError(f"it has held {port.unsent()} bytes for {self._write_timeout_s:g} s")
            time.sleep(PASSED_ON_S)

    def _wait_writable(self, port: BreakPort, ends_s: float, left: int) -> None:
        poll = select.poll()
        poll.register(self._wake_r, select.POLLIN)
        poll.register(port.fileno(), select.POLLOUT)
        poll.poll(max(0.0, ends_s - time.monotonic()) * 1000 + 1)
        if time.monotonic() > ends_s:
            raise LinkError(f"it took no bytes for {self._write_timeout_s:g} s ({left} left to write)")


def _settle(future: asyncio.Future[None], error: Exception | None) -> None:
    if future.done():
        return
    if error is None:
        future.set_result(None)
    else:
        future.set_exception(error)
