"""The parts of a daemon: tasks whose failure ends the daemon, and endings with a time limit each."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Iterator
from typing import Any

import structlog

from benchd.errors import BenchdError

_log = structlog.get_logger("benchd")

PART_S = 0.3
"""How long a part may take to end before the next one is ended."""


class Parts:
    """Starts tasks; the first failure is kept as `failure`, and `end` is called so that the others end in order."""

    def __init__(self, end: Callable[[], None]) -> None:
        self._end = end
        self.failure: BenchdError | None = None

    @contextlib.asynccontextmanager
    async def running(self, work: Coroutine[Any, Any, None], name: str) -> AsyncIterator[None]:
        """A context in which `work` runs as a task."""
        task = asyncio.create_task(work, name=name)
        ending = False

        def failed(done: asyncio.Task[Any]) -> None:
            if done.cancelled() or done.exception() is None or ending:
                return
            _log.error("a part of the daemon failed", part=name, error=repr(done.exception()))
            if self.failure is None:
                self.failure = BenchdError("device_fault", f"A part of the daemon failed: {name}.")
                self.failure.__cause__ = done.exception()
            self._end()

        task.add_done_callback(failed)
        try:
            yield
        finally:
            ending = True
            task.cancel()
            with ending_of(name):
                _, late = await asyncio.wait([task], timeout=PART_S)
            if late:
                _log.warning("this part did not end in time", part=name, within_s=PART_S)


async def within(work: Callable[[], Awaitable[None]], what: str, within_s: float = PART_S) -> None:
    """Carry out one part of the ending; a failure or a timeout is logged, and the next part follows."""
    task = asyncio.ensure_future(work())
    with ending_of(what):
        _, late = await asyncio.wait({task}, timeout=within_s)
    if late:
        _log.warning("this part did not end in time", part=what, within_s=within_s)
        task.cancel()
    elif not task.cancelled() and task.exception() is not None:
        _log.warning("this part did not end in order", part=what, error=repr(task.exception()))


@contextlib.contextmanager
def ending_of(part: str) -> Iterator[None]:
    """Log how long this part of the ending takes, also if it fails."""
    now_s = asyncio.get_running_loop().time
    began = now_s()
    try:
        yield
    finally:
        _log.debug("ended", part=part, took_s=round(now_s() - began, 3))
