"""The life of one daemon among several in one process: what belongs to it, so that it can be held up or killed whole.

Whatever a daemon does runs in a context that names its life: tasks, timers and callbacks inherit it, and the ends of
cables change over to `OUTSIDE` where they speak for the world. A life that is held up keeps its callbacks for later, as
a process does that gets no processor; one that is killed never runs again, and no `finally` of it is carried out.
"""

from __future__ import annotations

import asyncio
import heapq
import logging
import math
from collections.abc import Callable, Coroutine, Sequence
from concurrent.futures import Executor
from contextvars import Context, ContextVar, copy_context
from typing import Any, TypeVar, TypeVarTuple

import structlog

from benchd.records.store import Store
from benchd.records.writer import Writer
from benchd.testing.virtual_time import VirtualTimeLoop
from tests.virtual.disk import Disk
from tests.virtual.worker import Worker, WorkerPool

T = TypeVar("T")
Args = TypeVarTuple("Args")

LIFE: ContextVar[Life | None] = ContextVar("life", default=None)
OUTSIDE = Context()
"""Of timers that are no daemon's."""
APART_S = 1e-9
"""Between timers that ran out while a process was held up, so that their order stays."""
BURIED_S = 60.0


def outside(work: Callable[[*Args], T], *args: *Args) -> T:
    """Do at once what the world does, not the daemon that brought it about."""
    return Context().run(work, *args)


class Life:
    """One process of the daemon, as far as one process can hold several."""

    def __init__(self, disk: Disk, worker: Worker) -> None:
        self.disk, self.worker = disk, worker
        self.over = False
        """It was killed, or has ended: it reaches nothing any more."""
        self.held: list[asyncio.Handle] | None = None
        """Callbacks that wait, while none is run."""
        self.gone: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.tasks: list[asyncio.Task[Any]] = []
        self.stores: list[Store] = []

    def task(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """The first of its tasks; those that it creates are known by their context."""
        context = copy_context()
        context.run(LIFE.set, self)
        return asyncio.get_running_loop().create_task(work, name="daemon", context=context)

    def hold_up(self, for_s: float) -> None:
        """It gets no processor for so long, while the world goes on."""
        if self.held is None and not self.over:
            loop = asyncio.get_running_loop()
            assert isinstance(loop, LifeLoop)
            self.held = loop.set_aside(self, loop.time() + for_s)
            loop.call_later(for_s, self._goes_on, context=OUTSIDE)

    def _goes_on(self) -> None:
        if self.held is not None and not self.over:
            loop = asyncio.get_running_loop()
            assert isinstance(loop, LifeLoop)
            held, self.held = self.held, None
            loop.take_up(held)

    def end(self) -> None:
        """The process is gone: nothing of it ever runs again, and what it had handed to its record is there or not."""
        loop = asyncio.get_running_loop()
        assert isinstance(loop, LifeLoop)
        self.over = True
        self.held = [*(self.held or []), *loop.set_aside(self, None)]
        self.disk.killed()
        for store in self.stores:
            store._lock.release()
        if not self.gone.done():
            self.gone.set_result(None)


class ItsTime:
    """The time (s) that passes for a daemon: it stands while one is held up."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._lost_s, self._since_s = 0.0, math.inf
        self._again: asyncio.TimerHandle | None = None

    @property
    def stands(self) -> bool:
        return self._again is not None

    def now(self) -> float:
        return min(self._loop.time(), self._since_s) - self._lost_s

    def stop(self, for_s: float) -> None:
        """It stands from now on, for so long."""
        self._since_s = self._loop.time()
        self._again = self._loop.call_later(for_s, self.goes_on)

    def goes_on(self) -> None:
        """Idempotent."""
        if self._again is not None:
            self._again.cancel()
            self._again = None
            self._lost_s = self._loop.time() - self.now()
            self._since_s = math.inf


async def buried(lives: Sequence[Life]) -> None:
    """For when all is over: their tasks are broken off, unheard, so that the loop can be closed.

    Raises AssertionError where one goes on all the same.
    """
    loop = asyncio.get_running_loop()
    assert isinstance(loop, LifeLoop)
    logging.disable(logging.CRITICAL)
    structlog.configure(processors=[_unheard])
    loop.set_exception_handler(lambda _, __: None)
    try:
        for life in lives:
            held, life.held = life.held, None
            loop.take_up(held or [])
        heard: set[asyncio.Task[Any]] = set()
        while new := {task for life in lives for task in life.tasks} - heard:  # what ends begins more
            for task in new:
                task.cancel()
            _, left = await asyncio.wait(new, timeout=BURIED_S)
            assert not left, f"these cannot be broken off: {left}"
            for task in new:
                if not task.cancelled():
                    task.exception()
            heard |= new
    finally:
        loop.set_exception_handler(None)
        structlog.reset_defaults()
        logging.disable(logging.NOTSET)


def _unheard(*_: Any) -> Any:
    raise structlog.DropEvent


class _Soon(asyncio.Handle):
    """As it is, but for its debugging: a history makes a hundred thousand of them a minute."""

    __slots__ = ()

    def __init__(
        self,
        callback: Callable[..., object],
        args: Sequence[Any],
        loop: asyncio.AbstractEventLoop,
        context: Context | None,
    ) -> None:
        self._context = copy_context() if context is None else context
        self._loop, self._callback, self._args = loop, callback, args
        self._cancelled = False
        self._repr = self._source_traceback = None


class _Timer(asyncio.TimerHandle):
    """As it is, in one call instead of three: half of what a history does is to set timers and compare them."""

    __slots__ = ()

    def __init__(
        self,
        when: float,
        callback: Callable[..., object],
        args: Sequence[Any],
        loop: asyncio.AbstractEventLoop,
        context: Context | None,
    ) -> None:
        self._context = copy_context() if context is None else context
        self._loop, self._callback, self._args = loop, callback, args
        self._cancelled = self._scheduled = False
        self._repr = self._source_traceback = None
        self._when = when

    def __lt__(self, other: asyncio.TimerHandle) -> bool:
        return self._when < other._when  # type: ignore[attr-defined, no-any-return]


class LifeLoop(VirtualTimeLoop):
    """A loop on which lives are held up and killed. What they hand to a record takes the time of its disk."""

    tasks_made = 0

    def set_aside(self, life: Life, until_s: float | None) -> list[asyncio.Handle]:
        """What of this life is due now; its timers run out at `until_s` at the earliest, or never."""
        held = []
        for at, handle in enumerate(self._ready):  # type: ignore[attr-defined]
            if handle._context.get(LIFE) is life and not handle._cancelled:
                held.append(handle)
                self._ready[at] = blank = asyncio.Handle(lambda: None, (), self)  # type: ignore[attr-defined]
                blank.cancel()
        timers = sorted(self._scheduled, key=lambda timer: timer.when())  # type: ignore[attr-defined]
        if until_s is None:
            for timer in timers:
                if timer._context.get(LIFE) is life:
                    timer.cancel()
            return held
        for late, timer in enumerate(timers):
            if timer._context.get(LIFE) is life:
                timer._when = max(timer._when, until_s + (late + 1) * APART_S)
        timers.sort(key=lambda timer: timer.when())
        self._scheduled[:] = timers  # type: ignore[attr-defined]
        return held

    def take_up(self, held: list[asyncio.Handle]) -> None:
        """Go on with what was set aside."""
        self._ready.extend(held)  # type: ignore[attr-defined]

    def run_in_executor(self, executor: Executor | None, func: Callable[[*Args], T], *args: *Args) -> asyncio.Future[T]:
        life = LIFE.get()
        if life is not None and isinstance(executor, Writer):
            return life.disk.write(executor, func, *args)
        if isinstance(executor, WorkerPool):
            return executor.answer(func, *args)
        return super().run_in_executor(executor, func, *args)

    def call_at(
        self, when: float, callback: Callable[[*Args], object], *args: *Args, context: Context | None = None
    ) -> asyncio.TimerHandle:
        self._check_closed()  # type: ignore[attr-defined]
        timer = _Timer(when, callback, args, self, context)
        heapq.heappush(self._scheduled, timer)  # type: ignore[attr-defined]
        timer._scheduled = True
        return timer

    def call_soon(
        self, callback: Callable[[*Args], object], *args: *Args, context: Context | None = None
    ) -> asyncio.Handle:
        """In its life, or once that goes on."""
        self._check_closed()  # type: ignore[attr-defined]
        handle = _Soon(callback, args, self, context)
        life = handle._context.get(LIFE)
        where = self._ready if life is None or life.held is None else life.held  # type: ignore[attr-defined]
        where.append(handle)
        return handle


class _Task(asyncio.Task[Any]):
    """One whose place in a set is the same in each process: tasks are cancelled in the order of such sets."""

    def __init__(self, *args: Any, loop: asyncio.AbstractEventLoop, **more: Any) -> None:
        assert isinstance(loop, LifeLoop)
        self._hash = loop.tasks_made = loop.tasks_made + 1
        super().__init__(*args, loop=loop, **more)

    def __hash__(self) -> int:
        return self._hash


def of_its_life(
    loop: asyncio.AbstractEventLoop, work: Any, *, context: Context | None = None, **more: Any
) -> asyncio.Task[Any]:
    """A task, known to the life that it is of."""
    task = _Task(work, loop=loop, context=context, **more)
    life = context.get(LIFE) if context is not None else LIFE.get()
    if life is not None:
        life.tasks = [one for one in life.tasks if not one.done()] if len(life.tasks) > 200 else life.tasks
        life.tasks.append(task)
    return task
