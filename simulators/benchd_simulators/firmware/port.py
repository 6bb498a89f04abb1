"""A serial port as the host sees it: a pseudo-terminal under a lasting name, pulled out and plugged in at will."""

from __future__ import annotations

import asyncio
import fcntl
import os
import termios
import tty
from collections.abc import Callable
from pathlib import Path

from benchd_simulators.firmware.openers import Openers

MOST_PENDING = 65536
_BAUDS = {getattr(termios, name): int(name[1:]) for name in dir(termios) if name[:1] == "B" and name[1:].isdecimal()}
_TIOCNXCL = 0x540D  # asm-generic/ioctls.h; not in the termios module of 3.11


class Port:
    """One pty whose other side is reachable as `link`.

    Nothing blocks: bytes that the host does not fetch are kept up to MOST_PENDING and then lost, as on a line
    without handshake; bytes sent while nobody has the port open are lost. The same side may be opened and closed
    any number of times. `received` and `opened` are called in the event loop.
    """

    def __init__(self, link: Path, received: Callable[[bytes], None], opened: Callable[[], None]) -> None:
        self.link = link
        self._received = received
        self._opened = opened
        self._master = -1
        self._slave = -1
        self._openers: Openers | None = None
        self._name = ""
        self._pending = bytearray()
        self._writing = False
        self._deaf = False

    @property
    def plugged(self) -> bool:
        return self._openers is not None

    @property
    def in_use(self) -> bool:
        """Somebody has the port open."""
        self._news()
        return self._openers is not None and self._openers.count > 0

    @property
    def baud(self) -> int:
        """The speed that the host has set on its side."""
        speed = termios.tcgetattr(self._slave)[5] if self.plugged else termios.B115200
        return _BAUDS.get(speed) or _BAUDS[termios.B115200]

    def plug(self) -> str:
        """Make a new pty and put `link` on it. Returns its device name. Idempotent. Raises OSError."""
        if self.plugged:
            return self._name
        if self.link.exists() and not self.link.is_symlink():
            raise FileExistsError(f"{self.link} is in the way: a file that the simulator did not make.")
        self._master, self._slave = os.openpty()
        self._name = os.ttyname(self._slave)
        os.set_blocking(self._master, False)
        tty.setraw(self._slave)
        self._openers = Openers(self._name)
        fresh = self.link.with_name(f".{self.link.name}.{os.getpid()}")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(self._name)
        fresh.replace(self.link)
        loop = asyncio.get_running_loop()
        loop.add_reader(self._openers.fd, self._news)
        if not self._deaf:
            loop.add_reader(self._master, self._readable)
        return self._name

    def unplug(self) -> None:
        """Hang up: the host's reads and writes fail, the name is gone. Idempotent."""
        if self._openers is None:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._master)
        loop.remove_writer(self._master)
        loop.remove_reader(self._openers.fd)
        if self.link.is_symlink() and str(self.link.readlink()) == self._name:
            self.link.unlink()
        self._openers.close()
        self._openers = None
        os.close(self._slave)
        os.close(self._master)
        self._pending.clear()
        self._writing = False

    def deafen(self, deaf: bool) -> None:
        """Stop fetching what the host writes, so that its writes block once the kernel's buffer is full."""
        self._deaf = deaf
        if self.plugged:
            loop = asyncio.get_running_loop()
            if deaf:
                loop.remove_reader(self._master)
            else:
                loop.add_reader(self._master, self._readable)

    def write(self, data: bytes) -> None:
        """Towards the host; never blocks, never raises."""
        if not self.in_use:
            return
        self._pending += data[: MOST_PENDING - len(self._pending)]
        self._writable()

    def _news(self) -> None:
        if self._openers is None:
            return
        opened, closed = self._openers.drain()
        if closed or opened:
            self._pending.clear()
            termios.tcflush(self._slave, termios.TCIFLUSH)  # what the last reader left behind
        if closed and self._openers.count == 0:
            fcntl.ioctl(self._slave, _TIOCNXCL)  # an exclusive opener is gone, its claim with it
            tty.setraw(self._slave, termios.TCSANOW)
        if opened:
            self._opened()

    def _readable(self) -> None:
        self._news()
        try:
            data = os.read(self._master, 4096)
        except (BlockingIOError, OSError):
            return
        if data:
            self._received(data)

    def _writable(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            written = os.write(self._master, self._pending) if self._pending else 0
        except BlockingIOError:
            written = 0
        except OSError:
            self._pending.clear()
            written = 0
        del self._pending[:written]
        if bool(self._pending) != self._writing:
            self._writing = bool(self._pending)
            if self._writing:
                loop.add_writer(self._master, self._writable)
            else:
                loop.remove_writer(self._master)
