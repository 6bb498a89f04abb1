"""The process that analyses pictures, without a process: what it answers comes after a while, or not as it has died."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

T = TypeVar("T")

TAKES_S = (0.01, 0.08)


class Worker:
    """Lives and dies behind any number of pools, one after another."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.deaths = 0
        """So many times more it dies at its work."""
        self.began: Callable[[], None] = lambda: None
        """Told as work is handed over."""


class WorkerPool(Executor):
    """As a pool of one process: broken for good once that has died."""

    def __init__(self, worker: Worker) -> None:
        self._worker = worker
        self._broken = False

    def submit(self, work: Callable[..., T], /, *args: Any, **more: Any) -> Future[T]:
        """Carried out as it is handed over. Raises BrokenProcessPool."""
        if self._broken:
            raise BrokenProcessPool("A child process terminated abruptly, the process pool is not usable anymore")
        done: Future[T] = Future()
        try:
            done.set_result(work(*args, **more))
        except Exception as error:  # noqa: BLE001 - passed to the caller
            done.set_exception(error)
        return done

    def answer(self, work: Callable[..., T], *args: Any) -> asyncio.Future[T]:
        """As `loop.run_in_executor(pool, work, *args)`."""
        loop = asyncio.get_running_loop()
        done = self.submit(work, *args)
        answer: asyncio.Future[T] = loop.create_future()
        self._worker.began()
        loop.call_later(self._worker.chance.uniform(*TAKES_S), self._answered, done, answer)
        return answer

    def _answered(self, done: Future[T], answer: asyncio.Future[T]) -> None:
        if self._worker.deaths and not self._broken:
            self._worker.deaths -= 1
            self._broken = True
        if answer.cancelled():
            return
        if self._broken:
            answer.set_exception(BrokenProcessPool("A process in the process pool was terminated abruptly"))
        elif (error := done.exception()) is not None:
            answer.set_exception(error)
        else:
            answer.set_result(done.result())
