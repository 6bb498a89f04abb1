"""A shell at a pseudo-terminal of 80 columns, into which a test types what a person would."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import signal
import struct
import subprocess
import termios
import time
from fcntl import ioctl
from pathlib import Path

COLUMNS = 80
PATIENCE_S = 240.0


class Terminal:
    """A shell at a pseudo-terminal."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self._master, slave = pty.openpty()
        ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
        self._process = subprocess.Popen(
            ["bash", "--norc", "--noediting", "-i"], cwd=folder, env=environment,
            stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self._told = b""

    @property
    def shown(self) -> str:
        """What stood on it, without colours; a colour may come in two reads."""
        text = self._told.decode(errors="replace")
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text).replace("\r\n", "\n")

    def type(self, line: str) -> None:
        self.keys(f"{line}\n")

    def keys(self, keys: str) -> None:
        """Keys as they are, Ctrl-C and Ctrl-D among them."""
        os.write(self._master, keys.encode())

    def until(self, text: str, since: int = 0) -> int:
        """Wait until the text has come; gives where what follows it begins."""
        end = time.monotonic() + PATIENCE_S
        while text not in self.shown[since:]:
            assert time.monotonic() < end, self.shown[since:]
            assert "was not started" not in self.shown, self.shown
            if select.select([self._master], [], [], 0.5)[0]:
                self._told += os.read(self._master, 65536)
        return self.shown.index(text, since) + len(text)

    def too_wide(self, since: int = 0, until: int | None = None) -> list[str]:
        """Lines that do not fit; what stands behind a prompt was typed, and is as long as it is."""
        drawn = (line.rpartition("\r")[2] for line in self.shown[since:until].split("\n"))
        return [line for line in drawn if len(line) > COLUMNS and "$ " not in line]

    def interrupt(self) -> None:
        """Ctrl-C."""
        os.write(self._master, b"\x03")

    def end(self) -> None:
        for _ in range(2):
            with contextlib.suppress(ProcessLookupError):
                os.killpg(os.tcgetpgrp(self._master), signal.SIGINT)
            time.sleep(0.5)
        self._process.kill()
        self._process.wait()
        os.close(self._master)
