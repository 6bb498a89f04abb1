"""What is typed at the terminal, a line at a time, and never older than the question it is taken to answer.

Lines are read from the terminal itself and not through `sys.stdin`, whose buffer would keep what came along with the
line before.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import sys
import termios


class Keyboard:
    """The terminal on standard input."""

    def __init__(self) -> None:
        self._fd = sys.stdin.fileno()
        self._typed = b""
        self._ended = False

    def drop(self) -> bool:
        """Forget what was typed so far, here and in the terminal's own queue; whether a whole line was among it."""
        waited = bool(self._typed) or self._waits()
        self._typed = b""
        if not self._in_background():
            with contextlib.suppress(termios.error):  # no terminal any more
                termios.tcflush(self._fd, termios.TCIFLUSH)
        return waited

    async def quiet_for(self, seconds: float) -> bool:
        """Wait so long; False where a whole line was typed meanwhile. One that was only begun stays as it is."""
        await asyncio.sleep(seconds)
        if not self._waits():
            return True
        self._read()
        return self._ended

    async def line(self) -> str | None:
        """The next line, None at the end of input. May be cancelled; what was begun then stays in the terminal."""
        while b"\n" not in self._typed and not self._ended:
            await self._readable()
            self._read()
        line, _, self._typed = self._typed.partition(b"\n")
        return None if self._ended and not line else line.decode(sys.stdin.encoding or "utf-8", errors="replace")

    def _in_background(self) -> bool:
        """Whether this process is in the background: using the terminal would then suspend it."""
        try:
            return os.tcgetpgrp(self._fd) != os.getpgrp()
        except OSError:  # not the one that controls us
            return False

    def _waits(self) -> bool:
        """Whether a whole line waits in the terminal, or the end of input."""
        return bool(select.select([self._fd], [], [], 0.0)[0])

    def _read(self) -> None:
        try:
            data = os.read(self._fd, 4096)
        except OSError:  # hung up
            data = b""
        self._typed += data
        self._ended = not data

    async def _readable(self) -> None:
        loop = asyncio.get_running_loop()
        readable: asyncio.Future[None] = loop.create_future()

        def ready() -> None:
            if not readable.done():
                readable.set_result(None)

        loop.add_reader(self._fd, ready)
        try:
            await readable
        finally:
            loop.remove_reader(self._fd)
