"""Who has the port open: a port that nobody reads must not keep old bytes for the next reader.

A pseudo-terminal does not tell its master when the other side is opened, while the master keeps the other side
alive itself (as it must, or the raw mode is lost). The kernel's file notification tells it (inotify(7)).
"""

from __future__ import annotations

import ctypes
import os
import struct

_IN_CLOSE = 0x0008 | 0x0010
_IN_OPEN = 0x0020
_EVENT = struct.Struct("iIII")


class Openers:
    """Counts the opens of one file made after the watch began. `fd` becomes readable when the count changes."""

    def __init__(self, path: str) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self.fd: int = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if self.fd < 0 or libc.inotify_add_watch(self.fd, os.fsencode(path), _IN_OPEN | _IN_CLOSE) < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number), path)
        self.count = 0

    def drain(self) -> tuple[bool, bool]:
        """Take the news in. Returns (somebody opened the unopened port, the last one closed it)."""
        opened = closed = False
        while True:
            try:
                data = os.read(self.fd, 4096)
            except BlockingIOError:
                return opened, closed
            at = 0
            while at < len(data):
                _watch, mask, _cookie, length = _EVENT.unpack_from(data, at)
                at += _EVENT.size + length
                if mask & _IN_OPEN:
                    opened = opened or self.count == 0
                    self.count += 1
                elif mask & _IN_CLOSE and self.count > 0:
                    self.count -= 1
                    closed = self.count == 0

    def close(self) -> None:
        os.close(self.fd)
