"""Coroutines in virtual time that come out the same each time: what else is drawn or done at leisure comes in order."""

from __future__ import annotations

import asyncio
import contextlib
import random
import secrets
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import Executor, Future
from typing import Any, TypeVar, TypeVarTuple

from benchd.bench.analysis import Analysis
from benchd.records.store import Store
from benchd.records.writer import Writer
from benchd.testing.virtual_time import VirtualTimeLoop
from tests.virtual.ends import installed
from tests.virtual.life import LIFE, of_its_life

T = TypeVar("T")
Args = TypeVarTuple("Args")


class AtOnce(Executor):
    """Work is done as it is handed over."""

    def submit(self, work: Callable[..., T], /, *args: Any, **more: Any) -> Future[T]:
        done: Future[T] = Future()
        try:
            done.set_result(work(*args, **more))
        except Exception as error:  # noqa: BLE001 - passed to the caller
            done.set_exception(error)
        return done


@contextlib.contextmanager
def same_each_time(seed: int) -> Iterator[None]:
    """What is drawn for ids comes of a seed, and the analysis is done in this process."""
    chance = random.Random(seed)
    kept = {name: getattr(secrets, name) for name in ("choice", "token_bytes", "token_hex")}
    start_pool, submit, opened = Analysis._start_pool, Writer.submit, Store.__init__

    def unless_forsaken(writer: Writer, work: Callable[..., T], /, *args: Any, **more: Any) -> Future[T]:
        if getattr(writer, "forsaken", False):
            raise RuntimeError("this process was killed")
        return submit(writer, work, *args, **more)

    def of_a_life(store: Store, *args: Any, **more: Any) -> None:
        opened(store, *args, **more)
        if (life := LIFE.get()) is not None:
            life.stores.append(store)

    def at_once(analysis: Analysis) -> Executor:
        analysis._pool = AtOnce()  # type: ignore[assignment]
        return analysis._pool  # type: ignore[return-value]

    try:
        secrets.choice = chance.choice
        secrets.token_bytes = lambda nbytes=None: chance.randbytes(nbytes or 32)
        secrets.token_hex = lambda nbytes=None: chance.randbytes(nbytes or 32).hex()
        Analysis._start_pool = at_once  # type: ignore[method-assign,assignment]
        Writer.submit = unless_forsaken  # type: ignore[method-assign]
        Store.__init__ = of_a_life  # type: ignore[method-assign,assignment]
        yield
    finally:
        for name, own in kept.items():
            setattr(secrets, name, own)
        Analysis._start_pool = start_pool  # type: ignore[method-assign]
        Writer.submit = submit  # type: ignore[method-assign]
        Store.__init__ = opened  # type: ignore[method-assign]


def run(work: Coroutine[Any, Any, T], seed: int) -> T:
    """Run a coroutine in virtual time, the same each time."""
    with installed(), same_each_time(seed), asyncio.Runner(loop_factory=_loop) as runner:
        return runner.run(work)


class _Loop(VirtualTimeLoop):
    """Signals are for whoever plays the history, and not for the daemon in it."""

    def add_signal_handler(self, sig: int, callback: Callable[[*Args], object], *args: *Args) -> None:
        """Nothing."""

    def remove_signal_handler(self, sig: int) -> bool:
        return False


def _loop() -> VirtualTimeLoop:
    loop = _Loop(in_order=True)
    loop.set_task_factory(of_its_life)
    return loop
