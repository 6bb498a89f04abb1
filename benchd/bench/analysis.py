"""The worker process for numerics, started when first needed and ended when idle.

It keeps the daemon small: heavy numpy, scipy and picture decoding are loaded in the worker only. Only small results are
sent back. The worker dies with its parent, however that ends.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from contextlib import suppress
from typing import TYPE_CHECKING, TypeVar, TypeVarTuple

from benchd.errors import BenchdError

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

Args = TypeVarTuple("Args")
R = TypeVar("R")

IDLE_S = 120.0
TRIES = 3


def _initialise(parent: int) -> None:
    """In the worker: leave signals to the parent, die with it, and keep the thread pools from fighting the loop."""
    import ctypes
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    pr_set_pdeathsig = 1
    ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGKILL)
    if os.getppid() != parent:  # the parent was killed while this process was loading
        os._exit(1)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _load() -> None:
    """In the worker: import what most work needs, so that the first picture does not wait for it."""
    import scipy.special  # noqa: F401

    import benchd.assessments.curve
    import benchd.metrology.peak  # noqa: F401


class Analysis:
    """Runs pure functions in the worker. A cancelled caller leaves the worker to finish and drops its answer."""

    def __init__(self, idle_s: float = IDLE_S) -> None:
        self._idle_s = idle_s
        self._pool: ProcessPoolExecutor | None = None
        self._under_way = 0
        self._preload: list[Callable[[], None]] = [_load]
        self._idle: asyncio.TimerHandle | None = None

    async def run(self, work: Callable[[*Args], R], *args: *Args) -> R:
        """`work(*args)` in the worker; `work` is a module-level function, arguments and result are picklable.

        As `work` is pure it is retried if the worker was killed. Raises BenchdError (device_fault) after TRIES times.
        """
        for _ in range(TRIES):
            with suppress(BrokenExecutor):
                return await self._run_once(work, *args)
        raise BenchdError(
            "device_fault",
            f"The process that analyses pictures was killed {TRIES} times.",
            advice="See in the system's log whether memory ran out; end what else runs on this machine.",
        )

    async def run_without_retry(self, work: Callable[[*Args], R], *args: *Args) -> R | None:
        """The same without a retry, for work that may itself crash the worker; None if it did."""
        with suppress(BrokenExecutor):
            return await self._run_once(work, *args)
        return None

    async def _run_once(self, work: Callable[[*Args], R], *args: *Args) -> R:
        """Raises BrokenExecutor if the worker died; the next caller gets a new one."""
        pool = self._pool or self._start_pool()
        try:
            return await self._submit(pool, work, *args)
        except BrokenExecutor:
            if self._pool is pool:
                self._end_pool()
            raise

    async def _submit(self, pool: ProcessPoolExecutor, work: Callable[[*Args], R], *args: *Args) -> R:
        if self._idle is not None:
            self._idle.cancel()
            self._idle = None
        self._under_way += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(pool, work, *args)
        finally:
            self._under_way -= 1
            self._restart_idle_timer()

    def preload(self, load: Callable[[], None]) -> None:
        """Let `warm` run this module-level function in a new worker as well, to import what its work needs."""
        self._preload.append(load)

    def warm(self) -> None:
        """Start the worker if it is not running, because work is expected; returns at once."""
        if self._pool is None:
            pool = self._start_pool()
            for load in self._preload:
                pool.submit(load)
        self._restart_idle_timer()

    def _start_pool(self) -> ProcessPoolExecutor:
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor

        context = multiprocessing.get_context("spawn")
        self._pool = ProcessPoolExecutor(1, mp_context=context, initializer=_initialise, initargs=(os.getpid(),))
        return self._pool

    def _restart_idle_timer(self) -> None:
        """If no work is under way, restart the timer that ends the idle worker."""
        if self._under_way == 0 and self._pool is not None:
            if self._idle is not None:
                self._idle.cancel()
            self._idle = asyncio.get_running_loop().call_later(self._idle_s, self._end_pool)

    @property
    def pid(self) -> int | None:
        """The worker's process id while it lives."""
        processes = getattr(self._pool, "_processes", None) if self._pool else None
        return next(iter(processes), None) if processes else None

    def _end_pool(self) -> None:
        pool, self._pool = self._pool, None
        if self._idle is not None:
            self._idle.cancel()
            self._idle = None
        if pool is not None:
            pool.shutdown(wait=False, cancel_futures=True)

    async def close(self) -> None:
        """End the worker; work under way is abandoned."""
        pool = self._pool
        processes = list((getattr(pool, "_processes", None) or {}).values())
        for process in processes:
            process.kill()
        self._end_pool()
        for process in processes:
            await asyncio.to_thread(process.join, 1.0)
