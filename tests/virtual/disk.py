"""The disk that a record is on: each piece of work takes its time, may find no room, and is cut short by a kill.

The record is a real file. Work that was handed to its writer is carried out by the writer's own thread, one piece after
another, but each only when its time on the virtual loop has come.
"""

from __future__ import annotations

import asyncio
import random
import resource
import shutil
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, wait
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from benchd.records.writer import Writer

T = TypeVar("T")

COMMIT_S = (0.0005, 0.004)
"""A commit on a disk that is well: the time to flush it."""


class Lost(RuntimeError):
    """The process was killed before this was done."""


class _Piece:
    """Work that waits in the writer's thread until it is let."""

    def __init__(self, writer: Writer, work: Callable[[], Any]) -> None:
        self._writer = writer
        self._work = work
        self._gate = threading.Event()
        self._lost = False
        self.done: Future[Any] = writer.submit(self)

    def __call__(self) -> Any:
        self._gate.wait()
        if self._lost:
            raise Lost
        return self._work()

    def let(self, *, lost: bool = False) -> None:
        """Have it done, or lost, and wait for it."""
        self._lost = lost
        self._gate.set()
        wait((self.done,))


BEHIND_S = 0.2


class Disk:
    """Under the record `file`. `slow_s` is added to each commit; `seed` draws what a kill leaves of one under way."""

    def __init__(self, file: Path, seed: int) -> None:
        self.slow_s = 0.0
        self.began: Callable[[], None] = lambda: None
        """Told as a piece of work is handed over."""
        self._file = file
        self._chance = random.Random(seed)
        self._free_s = 0.0
        self._pieces: deque[_Piece] = deque()
        self._most: int | None = None
        self._writers: list[Writer] = []

    def fill(self, spare: int) -> None:
        """Leave the files of the record so many bytes to grow by."""
        self._most = max((file.stat().st_size for file in self._files()), default=0) + spare

    def clear(self) -> None:
        """There is room, and it is fast."""
        self._most, self.slow_s = None, 0.0

    @property
    def behind(self) -> bool:
        """Whether what is written has to wait: it is slow, or has not caught up yet."""
        return self.slow_s > 0.0 or self._free_s - asyncio.get_running_loop().time() > BEHIND_S

    def write(self, writer: Writer, work: Callable[..., T], *args: Any) -> asyncio.Future[T]:
        """As `loop.run_in_executor(writer, work, *args)`, in the disk's own time."""
        loop = asyncio.get_running_loop()
        piece = _Piece(writer, lambda: work(*args))
        if writer not in self._writers:
            self._writers.append(writer)
        self._pieces.append(piece)
        self._free_s = max(self._free_s, loop.time()) + self.slow_s + self._chance.uniform(*COMMIT_S)
        answer: asyncio.Future[T] = loop.create_future()
        loop.call_at(self._free_s, self._carry_out, piece, answer)
        self.began()
        return answer

    def _carry_out(self, piece: _Piece, answer: asyncio.Future[Any]) -> None:
        self._pieces.remove(piece)
        with self._no_more_than_fits():
            piece.let()
        if answer.cancelled():
            return
        if (error := piece.done.exception()) is not None:
            answer.set_exception(error)
        else:
            answer.set_result(piece.done.result())

    @contextmanager
    def _no_more_than_fits(self) -> Iterator[None]:
        """A limit on the size of files, as this thread waits for the writer's, stands for the disk that is full."""
        if self._most is None:
            yield
            return
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (self._most, hard))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    # ---- the end of a process

    def killed(self) -> None:
        """The process that wrote is gone: the files are left as they stand, its locks are free.

        Of what was under way either nothing is there, or all of it though nobody was told, or the log of the database
        ends in the middle of it.
        """
        torn: int | None = None
        if self._pieces and (left := self._chance.choice(("lost", "done", "torn"))) != "lost":
            before, main = self._size(), self._main()
            with self._no_more_than_fits():
                self._pieces.popleft().let()
            if left == "torn" and self._main() == main and self._size() > before:
                torn = self._chance.randrange(before, self._size())
        self._leave_as_it_stands(torn)
        while self._pieces:
            self._pieces.popleft().let(lost=True)
        for writer in self._writers:
            _abandon(writer)
        self._writers.clear()
        self._free_s = 0.0

    def _leave_as_it_stands(self, torn: int | None) -> None:
        """Put copies in the place of the files, as whoever has those open would tidy them up when it lets go."""
        for file in self._files():
            copy = file.with_name(f"{file.name}.copy")
            shutil.copy2(file, copy)
            if torn is not None and file == self._log():
                with copy.open("r+b") as log:
                    log.truncate(torn)
            copy.replace(file)

    def _files(self) -> list[Path]:
        return [file for file in (self._file, self._log(), self._beside("shm")) if file.exists()]

    def _beside(self, what: str) -> Path:
        return self._file.with_name(f"{self._file.name}-{what}")

    def _log(self) -> Path:
        return self._beside("wal")

    def _size(self) -> int:
        return self._log().stat().st_size if self._log().exists() else 0

    def _main(self) -> int:
        """Changes where the log was carried over into the database itself."""
        return self._file.stat().st_mtime_ns if self._file.exists() else 0


def _abandon(writer: Writer) -> None:
    """End its thread, and let go of files that are nobody's any more."""

    def let_go() -> None:
        connection, writer._connection = writer._connection, None
        if connection is not None:
            connection.close()
            connection.engine.dispose()

    if not writer._closed:
        writer._closed = True
        writer._work.put(let_go)
        writer._work.put(None)
    writer._thread.join()
    let_go_of = writer._connection
    assert let_go_of is None or writer.ended
