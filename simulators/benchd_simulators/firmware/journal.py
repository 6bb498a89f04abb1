"""What went over the cables and when, in a file: one line a chunk, for tests of the time between two bytes."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self


class Journal:
    """Lines of `seconds port direction bytes`, tab-separated: monotonic time, `in` towards the device, bytes as repr.

    Times are taken as the bytes reach or leave the port. Each line is in the file at once (some microseconds), so
    that the journal can be read while the bench runs. `Journal(None)` keeps nothing.
    """

    def __init__(self, path: Path | None, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._file = path.open("w", encoding="ascii", buffering=1) if path else None

    def note(self, port: str, direction: str, data: bytes) -> None:
        """One chunk, now."""
        if self._file is not None:
            self._file.write(f"{self._now_s():.6f}\t{port}\t{direction}\t{data!r}\n")

    def close(self) -> None:
        """Idempotent."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
