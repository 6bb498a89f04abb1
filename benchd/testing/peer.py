"""A device at the other end of a real pseudo-terminal, down to the byte: what a driver is tried against without one."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
import tty
from collections.abc import Callable
from typing import Self

UNREAD_S = 1.0
"""So long what is said waits for somebody to read it; then it is lost."""


class PtyPeer:
    """Plays the device. `answer(data)` is called in the peer's thread with whatever bytes have come.

    Use as a context manager; `path` is the port to open. `deaf` stops it from reading at all, so that
    the other side's writes block.
    """

    def __init__(self, answer: Callable[[PtyPeer, bytes], None] | None = None) -> None:
        self._answer = answer
        self.received = bytearray()
        self.at: list[tuple[float, bytes]] = []
        self.deaf = False
        self._master = -1
        self._slave = -1
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self.path = ""

    def __enter__(self) -> Self:
        self.plug()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def plug(self) -> None:
        """Be there, under a new device file."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._ending.clear()
        self._thread = threading.Thread(target=self._run, name=f"peer {self.path}")
        self._thread.start()

    def unplug(self) -> None:
        """Be gone, as when the cable is pulled; idempotent."""
        self._ending.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
        for fd in (self._master, self._slave):
            if fd >= 0:
                os.close(fd)
        self._master = self._slave = -1

    def send(self, data: bytes) -> None:
        """Say something, asked or not, all of it as long as somebody reads."""
        left, ends = memoryview(data), time.monotonic() + UNREAD_S
        with contextlib.suppress(OSError):
            while left:
                try:
                    left = left[os.write(self._master, left) :]
                except BlockingIOError:
                    if not select.select([], [self._master], [], max(0.0, ends - time.monotonic()))[1]:
                        return

    def wait_for(self, data: bytes, timeout_s: float = 2.0) -> float:
        """Block until `data` has been received; the monotonic time at which its chunk came."""
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            for t, chunk in list(self.at):
                if data in chunk:
                    return t
            if data in self.received:
                return time.monotonic()
            time.sleep(0.001)
        raise AssertionError(f"{data!r} was not received in {timeout_s} s, only {bytes(self.received[-200:])!r}")

    def _run(self) -> None:
        while not self._ending.is_set():
            if self.deaf:
                time.sleep(0.005)
                continue
            if select.select([self._master], [], [], 0.02)[0]:
                try:
                    data = os.read(self._master, 4096)
                except OSError:
                    continue
                self.at.append((time.monotonic(), data))
                self.received += data
                if self._answer is not None:
                    self._answer(self, data)


def line_peer(reply: Callable[[bytes], bytes | None]) -> PtyPeer:
    """A peer that answers each whole line (its end taken off) with the bytes that `reply` gives, None for silence."""
    held = bytearray()

    def answer(peer: PtyPeer, data: bytes) -> None:
        held.extend(data)
        while b"\n" in held:
            text, _, rest = bytes(held).partition(b"\n")
            held[:] = rest
            said = reply(text.strip(b"\r"))
            if said is not None:
                peer.send(said)

    return PtyPeer(answer)
