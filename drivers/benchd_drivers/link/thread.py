"""The one thread that owns a port: it alone opens, reads, waits for and closes it.

Bytes to write stand in two queues; the urgent one goes first, in the middle of an ordinary frame if need be. They are
offered to the port at once, by the caller that queues them; what it does not take is left to the thread, and so is
every error. Each frame must be taken by the port within the write time-out, else the port counts as lost: a stop that
cannot be written must fail loudly, not wait.

What comes is handed to the loop in portions, one at a time and no faster than the device has reason to speak; the rest
waits in the kernel. So the loop turns between any two of them, however much is sent.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Protocol

from benchd.devices import LinkError
from benchd_drivers.link.inflow import PORTION, Inflow


class OpenPort(Protocol):
    """What an open port of pyserial offers, as far as it is used here."""

    def fileno(self) -> int: ...
    def close(self) -> None: ...


class _Frame:
    def __init__(self, data: bytes, written: Callable[[float], None] | None) -> None:
        self.data = data
        self.rest = memoryview(data)
        self.deadline: float | None = None
        self.written = written


class PortThread:
    """Runs from `start` until `stop` or until the port is lost; callbacks arrive on the event loop.

    `on_bytes(data)`, `on_lost(error)` (once, not after `stop`), and per frame `written(t_mono)`.
    """

    def __init__(
        self,
        name: str,
        open_port: Callable[[], OpenPort],
        on_bytes: Callable[[bytes], None],
        on_lost: Callable[[Exception], None],
        write_timeout_s: float,
        inflow: Inflow,
    ) -> None:
        self._open_port = open_port
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._write_timeout_s = write_timeout_s
        self._inflow = inflow
        self._handed_over = threading.Event()  # clear while the loop has a portion that it has not dealt with
        self._handed_over.set()
        self._loop = asyncio.get_running_loop()
        self._opened: asyncio.Future[None] = self._loop.create_future()
        self._ended: asyncio.Future[None] = self._loop.create_future()
        self._urgent: deque[_Frame] = deque()
        self._ordinary: deque[_Frame] = deque()
        self._lock = threading.Lock()  # held while bytes are moved and that is told, never while waiting
        self._fd: int | None = None  # of the open port; changed under the lock
        self._stopping = threading.Event()
        self._wake_r, self._wake_w = os.pipe()
        os.set_blocking(self._wake_r, False)
        os.set_blocking(self._wake_w, False)
        self._thread = threading.Thread(target=self._run, name=name)

    async def start(self) -> None:
        """Start and wait until the port is open. Raises what `open_port` raised; the thread is then ended."""
        self._thread.start()
        await asyncio.shield(self._opened)

    def put(self, data: bytes, written: Callable[[float], None] | None = None) -> object:
        """Queue a frame; returns a ticket for `withdraw`."""
        frame = _Frame(data, written)
        self._ordinary.append(frame)
        self._offer_at_once()
        return frame

    def put_urgent(self, data: bytes, written: Callable[[float], None] | None = None) -> None:
        """Queue a frame ahead of all ordinary ones."""
        self._urgent.append(_Frame(data, written))
        self._offer_at_once()

    def _offer_at_once(self) -> None:
        """Handing it to the thread would cost a change of threads, which waits for whatever the event loop does next.

        An empty port takes a frame whole and never makes wait.
        """
        try:
            if self._write_what_goes() is None:
                return
        except Exception:  # noqa: BLE001 - the thread meets it again, and tells it
            pass
        self._wake()

    def withdraw(self, ticket: object) -> bool:
        """Take a frame back; False where its first byte may have gone already."""
        with self._lock:
            for frame in self._ordinary:
                if frame is ticket and len(frame.rest) == len(frame.data):
                    self._ordinary.remove(frame)
                    return True
        return False

    async def stop(self) -> None:
        """End the thread and join it; what is urgent and waiting is still offered to the port once."""
        self._stopping.set()
        self._wake()
        await asyncio.shield(self._ended)
        self._thread.join()
        if self._opened.done():
            self._opened.exception()  # a caller that was cancelled while opening did not fetch it
        for fd in (self._wake_r, self._wake_w):
            with contextlib.suppress(OSError):
                os.close(fd)
        self._wake_r = self._wake_w = -1

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            os.write(self._wake_w, b"\0")

    # ---- in the thread

    def _tell(self, call: Callable[..., None], *args: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to be told
            self._loop.call_soon_threadsafe(call, *args)

    def _run(self) -> None:
        port: OpenPort | None = None
        try:
            try:
                port = self._open_port()
            except Exception as error:  # noqa: BLE001 - carried to the one who opens, whatever it is
                self._tell(_fail, self._opened, error)
                return
            self._tell(_done, self._opened)
            try:
                self._serve(port.fileno())
            except Exception as error:  # noqa: BLE001 - every failure here means that the port is lost
                if not self._stopping.is_set():
                    self._tell(self._on_lost, error)
        finally:
            with self._lock:
                self._fd = None
            if port is not None:
                with contextlib.suppress(OSError):
                    port.close()
            self._tell(_done, self._ended)

    def _serve(self, fd: int) -> None:
        os.set_blocking(fd, False)
        with self._lock:
            self._fd = fd
        while True:
            frame = self._write_what_goes()
            if self._stopping.is_set():
                return
            wait_s = self._inflow.wait_s(time.monotonic())
            wanted = select.POLLIN if self._handed_over.is_set() and not wait_s else 0
            poll = select.poll()
            poll.register(self._wake_r, select.POLLIN)
            if wanted or frame:  # else even the end of the line would make this loop spin
                poll.register(fd, wanted | (select.POLLOUT if frame else 0))
            ends = [frame.deadline - time.monotonic()] if frame is not None and frame.deadline is not None else []
            ends += [wait_s] if wait_s else []
            events = dict(poll.poll(max(0.0, min(ends)) * 1000 + 1 if ends else None))
            if events.get(self._wake_r):
                with contextlib.suppress(BlockingIOError):
                    os.read(self._wake_r, 4096)
            if wanted and events.get(fd, 0) & ~select.POLLOUT:
                self._read(fd)

    def _read(self, fd: int) -> None:
        with self._lock:  # so that an answer is never told before the writing of its question
            try:
                data = os.read(fd, PORTION)
            except BlockingIOError:
                return
            if not data:
                raise LinkError("it was unplugged or closed at the other end")
            self._inflow.took(len(data), time.monotonic())
            self._handed_over.clear()
            self._tell(self._hand_over, data)

    # ---- on the event loop

    def _hand_over(self, data: bytes) -> None:
        try:
            self._on_bytes(data)
        finally:
            self._handed_over.set()
            self._wake()

    # ---- in the thread, or on the event loop

    def _write_what_goes(self) -> _Frame | None:
        """Write until the port takes no more; returns the frame that is stuck, None when nothing can be done.

        Raises OSError, and LinkError for a frame past its time.
        """
        while True:
            with self._lock:
                queue = self._urgent or self._ordinary
                if not queue or self._fd is None:
                    return None
                frame = queue[0]
                blocked = self._offer(self._fd, frame)
                if blocked:
                    return frame
                if not frame.rest:
                    queue.popleft()
                    if frame.written is not None:
                        self._tell(frame.written, time.monotonic())

    def _offer(self, fd: int, frame: _Frame) -> bool:
        """Write what the port takes of one frame; True where it takes nothing now. Raises LinkError past its time."""
        now = time.monotonic()
        if frame.deadline is None:
            frame.deadline = now + self._write_timeout_s
        try:
            frame.rest = frame.rest[os.write(fd, frame.rest) :]
        except BlockingIOError:
            if now < frame.deadline:
                return True
            raise LinkError(
                f"it took no bytes for {self._write_timeout_s:g} s ({len(frame.rest)} left to write)"
            ) from None
        return False


def _done(future: asyncio.Future[None]) -> None:
    if not future.done():
        future.set_result(None)


def _fail(future: asyncio.Future[None], error: Exception) -> None:
    if not future.done():
        future.set_exception(error)
