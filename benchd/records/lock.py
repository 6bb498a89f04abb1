"""One writer per record: a lock file beside it, held while the store is open and released by the kernel at any exit."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from benchd.errors import BenchdError


class WriterLock:
    """Holds `<record>.lock`. Raises BenchdError (`busy`) if another process holds it, naming that process."""

    def __init__(self, path: Path) -> None:
        self._file: int | None = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.pread(self._file, 20, 0).decode("ascii", "replace").strip()
            self.release()
            who = f"Another bench (process {holder})" if holder else "Another bench"
            raise BenchdError(
                "busy",
                f"{who} runs on the record {path}.",
                advice="End the other first (Ctrl-C where it runs), or name a file of its own under store.url.",
            ) from error
        os.ftruncate(self._file, 0)
        # On a full disk the process number cannot be written; the lock holds without it.
        try:
            os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)
        except OSError:
            os.ftruncate(self._file, 0)

    def release(self) -> None:
        """Release the lock. Idempotent."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
