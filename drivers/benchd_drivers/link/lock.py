"""A port belongs to one process: a lock file that names its holder, so that the refusal can name it too.

The lock is `flock`: the kernel drops it when its holder dies, however it dies; a left-over file means nothing.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import tempfile
from pathlib import Path

from benchd.devices import LinkError


def lock_folder() -> Path:
    """`$XDG_RUNTIME_DIR/benchd`, or a folder of this user in the temporary directory where there is none."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime and os.access(runtime, os.W_OK):
        return Path(runtime) / "benchd"
    return Path(tempfile.gettempdir()) / f"benchd-{os.getuid()}"


def spelt_alike(port: str) -> str:
    """A port by the one name that all its names lead to; names of hosts are not asked for."""
    return port.lower().rstrip("/") if "://" in port else os.path.realpath(port)


class PortLock:
    """An exclusive hold on a port by name, from `take` to `release`. Two names of one device file are one port."""

    def __init__(self, port: str, device: str) -> None:
        self._port = port
        self._device = device
        self._fd: int | None = None

    def take(self) -> None:
        """Take the lock without waiting. Raises LinkError naming the process that holds it."""
        folder = lock_folder()
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        path = folder / (re.sub(r"[^A-Za-z0-9._-]+", "_", spelt_alike(self._port).strip("/")) + ".lock")
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(fd, 32, 0).decode("ascii", "replace").strip()
            os.close(fd)
            raise in_use(self._port, holder, self._device) from None
        os.ftruncate(fd, 0)
        os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
        self._fd = fd

    def release(self) -> None:
        """Give the port back; idempotent."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None


def in_use(port: str, holder: str, device: str) -> LinkError:
    """The refusal, with the holder's pid and program where they are known."""
    by = "another process"
    if holder.isdigit():
        by = f"process {holder}"
        with contextlib.suppress(OSError):
            by += f" ({Path(f'/proc/{holder}/comm').read_text().strip()})"
    return LinkError(f"{port} is in use by {by}.", advice="Close that program, or wait for it to end.", device=device)


def holder_of(port: str) -> str:
    """The pid of another process that has the device file open, '' where none can be seen."""
    real = os.path.realpath(port)
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            with contextlib.suppress(OSError):
                if any(os.readlink(fd) == real for fd in (entry / "fd").iterdir()):
                    return entry.name
    return ""
