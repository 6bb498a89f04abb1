"""Coroutines in virtual time that come out the same each time: what else is drawn or done at leisure comes in order."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import random
import secrets
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import Executor
from typing import Any, TypeVar, TypeVarTuple

from benchd.bench.analysis import Analysis
from benchd.records.store import Store
from benchd.testing.virtual_time import TURNS_UNASKED, EndlessWait
from tests.virtual.ends import installed
from tests.virtual.life import LIFE, LifeLoop, of_its_life
from tests.virtual.worker import Worker, WorkerPool

T = TypeVar("T")
Args = TypeVarTuple("Args")

MOST_AT_ONE_TIME = 5000
TURNS = 20_000
"""Of the loop, from one collection of garbage to the next."""


@contextlib.contextmanager
def same_each_time(seed: int) -> Iterator[None]:
    """What is drawn for ids comes of a seed, and the analysis is done in this process."""
    chance = random.Random(seed)
    kept = {name: getattr(secrets, name) for name in ("choice", "token_bytes", "token_hex")}
    start_pool, opened = Analysis._start_pool, Store.__init__

    def of_a_life(store: Store, *args: Any, **more: Any) -> None:
        opened(store, *args, **more)
        if (life := LIFE.get()) is not None:
            life.stores.append(store)

    def in_this_process(analysis: Analysis) -> Executor:
        life = LIFE.get()
        analysis._pool = WorkerPool(life.worker if life else Worker(seed))  # type: ignore[assignment]
        return analysis._pool  # type: ignore[return-value]

    try:
        secrets.choice = chance.choice
        secrets.token_bytes = lambda nbytes=None: chance.randbytes(nbytes or 32)
        secrets.token_hex = lambda nbytes=None: chance.randbytes(nbytes or 32).hex()
        Analysis._start_pool = in_this_process  # type: ignore[method-assign,assignment]
        Store.__init__ = of_a_life  # type: ignore[method-assign,assignment]
        yield
    finally:
        for name, own in kept.items():
            setattr(secrets, name, own)
        Analysis._start_pool = start_pool  # type: ignore[method-assign]
        Store.__init__ = opened  # type: ignore[method-assign]


def run(work: Coroutine[Any, Any, T], seed: int) -> T:
    """Run a coroutine in virtual time, the same each time."""
    with installed(), same_each_time(seed), tidied_up_in_turn(), asyncio.Runner(loop_factory=_loop) as runner:
        return runner.run(work)


@contextlib.contextmanager
def tidied_up_in_turn() -> Iterator[None]:
    """Garbage is collected by the loop, as what it finds (a task whose error nobody heard) may be told.

    What was there before is never looked through again: it is modules and thousands of tests, which stay.
    """
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


class _Loop(LifeLoop):
    """Signals are for whoever plays the history, and not for the daemon in it. Garbage is collected now and then."""

    _turns = _at_one_time = 0
    _looked_s = -1.0

    def _run_once(self) -> None:
        """As asyncio does it; what is ready by itself is done without asking for timers and files that are not due."""
        self._turns += 1
        if self._turns % TURNS == 0:
            gc.collect()
        self._at_one_time = self._at_one_time + 1 if self._now_s == self._looked_s else 0
        self._looked_s = self._now_s
        if self._at_one_time > MOST_AT_ONE_TIME:
            raise EndlessWait(f"At {self._now_s:g} s something is done over and over again, and no time passes.")
        ready, timers = self._ready, self._scheduled  # type: ignore[attr-defined]
        for _ in range(TURNS_UNASKED):
            if not ready or self._stopping or (timers and timers[0]._when <= self._now_s):  # type: ignore[attr-defined]
                break
            for _ in range(len(ready)):
                handle = ready.popleft()
                if not handle._cancelled:
                    handle._run()
            timers = self._scheduled  # type: ignore[attr-defined]
        super()._run_once()  # type: ignore[misc]

    def add_signal_handler(self, sig: int, callback: Callable[[*Args], object], *args: *Args) -> None:
        """Nothing."""

    def remove_signal_handler(self, sig: int) -> bool:
        return False


def _loop() -> LifeLoop:
    loop = _Loop(in_order=True)
    loop.set_task_factory(of_its_life)
    return loop
