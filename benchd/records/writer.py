"""The only thread that writes to the database: it takes functions from a queue and returns results to the event loop.

Submitted work is carried out even if the caller was cancelled meanwhile: a cancelled call loses no row.
"""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError

from benchd.records.engine import as_benchd_error

T = TypeVar("T")

HELD_UP_S = 0.1
"""How long `close`, if cancelled, may still block the event loop for the thread to end."""


class Writer(Executor):
    """A thread that owns one connection. `start` opens it in the thread; until `close` it carries out `do` in order.

    An executor, so that the loop knows which work it waits for.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._work: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._connection: Connection | None = None
        self._closed = False
        # A daemon thread: a program that crashes without closing is not kept alive by an idle queue.
        self._thread = threading.Thread(target=self._serve, name=f"record {path.name}", daemon=True)
        self._thread.start()

    async def start(self, connect: Callable[[], Connection]) -> None:
        """Open the connection in the thread. Raises BenchdError; the thread then still has to be closed."""

        def keep() -> None:
            self._connection = connect()

        await self._submit(keep)

    async def do(self, work: Callable[[Connection], T]) -> T:
        """Run `work` in one transaction; returns after commit. Raises BenchdError, the transaction rolled back.

        If the caller is cancelled, the work is done all the same.
        """

        def transaction() -> T:
            assert self._connection is not None
            with self._connection.begin():
                return work(self._connection)

        return await self._submit(transaction)

    async def close(self) -> None:
        """Finish submitted work, close the connection, end the thread. Idempotent.

        If cancelled while a disk is slow, it returns soon; the thread continues as long as the process runs.
        """
        if self._closed:
            return
        last = asyncio.get_running_loop().run_in_executor(self, self._disconnect)
        self._closed = True
        self._work.put(None)
        try:
            await asyncio.shield(last)
        finally:
            # `last` is the last work, so the thread is about to end. `join` blocks the loop, so a cancelled close must
            # not wait here for long.
            self._thread.join(timeout=5.0 if last.done() else HELD_UP_S)

    @property
    def ended(self) -> bool:
        """Whether the thread has ended."""
        return not self._thread.is_alive()

    async def _submit(self, work: Callable[[], T]) -> T:
        return await asyncio.shield(asyncio.get_running_loop().run_in_executor(self, work))

    def submit(self, work: Callable[..., T], /, *args: Any, **more: Any) -> Future[T]:
        """Enqueue work; a caller that is cancelled does not cancel it. Raises RuntimeError once it is closed."""
        if self._closed:
            raise RuntimeError(f"the record {self._path} is closed")
        future: Future[T] = Future()
        # Marked as running at once, so that a cancelled caller cannot cancel the work.
        future.set_running_or_notify_cancel()

        def carry_out() -> None:
            try:
                result = work(*args, **more)
            except (SQLAlchemyError, OSError) as error:
                mapped = as_benchd_error(error, self._path)
                mapped.__cause__ = error
                future.set_exception(mapped)
            except Exception as error:  # noqa: BLE001 - passed to the caller
                future.set_exception(error)
            else:
                future.set_result(result)

        self._work.put(carry_out)
        return future

    def _serve(self) -> None:
        while (work := self._work.get()) is not None:
            work()

    def _disconnect(self) -> None:
        connection: Any = self._connection
        self._connection = None
        if connection is not None:
            connection.close()
            connection.engine.dispose()
