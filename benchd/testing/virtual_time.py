"""Time that passes only where everybody waits for it, so that an hour of a bench takes none and is the same each time.

Use it for every test of a room by naming it in that room's `conftest.py`:

    from benchd.testing.virtual_time import virtual_loops as pytest_asyncio_loop_factories
    __all__ = ["pytest_asyncio_loop_factories"]

or for one coroutine: `run_virtual(work())`. Every `Clock` that is asked on such a loop follows it; what asks from a
thread is handed a `VirtualClock`.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine, Iterator, Mapping
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any, TypeVar, TypeVarTuple, cast

from benchd.devices import Clock

T = TypeVar("T")
Args = TypeVarTuple("Args")

ORIGIN_UTC = datetime(2030, 1, 1, 12, tzinfo=UTC)
"""What the wall clock shows when a virtual loop begins."""


TURNS_UNASKED = 16
"""A question to the kernel costs as much as a turn of the loop."""


class EndlessWait(RuntimeError):
    """Nothing can happen any more: no timer is set, no thread is at work, and somebody still waits."""


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """An event loop whose time begins at 0 s and goes to the next timer whenever nothing else is to be done.

    Work in an executor (`run_in_executor`, `asyncio.to_thread`) takes no time: while any of it is outstanding time
    stands still, also where nobody waits for it any more. What another thread or process does without an executor is
    awaited inside `held`. With `in_order` all else waits for that work, so that the same comes of it each time; what is
    for no executor of its own is then done where it is asked for, as to hand it over takes longer than most of it.
    """

    def __init__(self, *, in_order: bool = False) -> None:
        self._in_order = in_order
        self._now_s = self._stepped_s = 0.0
        self._outstanding = 0
        super().__init__(_Selector(self._nothing_to_do))
        self._threads = ThreadPoolExecutor(thread_name_prefix="virtual")
        self.set_default_executor(self._threads)

    def time(self) -> float:
        return self._now_s

    def now_utc(self) -> datetime:
        """The wall clock; it may be set by `step_utc`."""
        return ORIGIN_UTC + timedelta(seconds=self._now_s + self._stepped_s)

    def step_utc(self, by_s: float) -> None:
        """Set the wall clock forward or back, as a person or a time server does; timers do not mind."""
        self._stepped_s += by_s

    @contextmanager
    def held(self) -> Iterator[None]:
        """Time stands still inside the block."""
        self._outstanding += 1
        try:
            yield
        finally:
            self._outstanding -= 1

    def run_in_executor(self, executor: Executor | None, func: Callable[[*Args], T], *args: *Args) -> asyncio.Future[T]:
        if self._in_order and executor is None:
            return self._done_here(func, *args)
        work = (executor or self._threads).submit(func, *args)
        if self._in_order:
            wait((work,))
            return asyncio.wrap_future(work, loop=self)
        self._outstanding += 1
        answer = asyncio.wrap_future(work, loop=self)
        # Last, so that the waiting task is woken before time may go on. It is the work that is waited for and not the
        # answer, as a wait that is cancelled ends no thread.
        work.add_done_callback(self._in_thread_done)
        return answer

    def _done_here(self, func: Callable[[*Args], T], *args: *Args) -> asyncio.Future[T]:
        """As in a thread, where no loop runs; the answer comes with the next turn."""
        answer: asyncio.Future[T] = self.create_future()
        tell: Callable[[], None]
        asyncio._set_running_loop(None)
        try:
            result = func(*args)
            tell = partial(answer.set_result, result)
        except Exception as error:  # noqa: BLE001 - passed to the caller
            tell = partial(answer.set_exception, error)
        finally:
            asyncio._set_running_loop(self)
        self.call_soon(lambda: None if answer.cancelled() else tell())
        return answer

    def _in_thread_done(self, _: Future[Any]) -> None:
        if not self.is_closed():
            self.call_soon_threadsafe(self._done)

    def _done(self) -> None:
        self._outstanding -= 1

    async def shutdown_default_executor(self, *timeout: float | None) -> None:
        with self.held():  # it is waited for in a thread of its own
            await super().shutdown_default_executor(*timeout)

    def _nothing_to_do(self, for_s: float | None) -> bool:
        """Nothing is ready for so long (None: no timer is set). Whether threads are waited for; else time has gone on.

        Raises EndlessWait.
        """
        if self._outstanding:
            return True
        if for_s is None:
            waiting = sorted(f"\n  {task.get_name()}: {_where(task)}" for task in asyncio.all_tasks(self))
            raise EndlessWait(
                f"At {self._now_s:g} s no timer is set and no thread at work, so that nothing will happen any more; "
                f"waiting are:{''.join(waiting)}"
            )
        self._now_s += for_s
        return False


class _Selector(selectors.DefaultSelector):
    """Asks what is ready, and never waits for time to pass; beside work on the loop itself it asks now and then."""

    def __init__(self, nothing_to_do: Callable[[float | None], bool]) -> None:
        super().__init__()
        self._nothing_to_do = nothing_to_do
        self._unasked = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout == 0 and self._unasked < TURNS_UNASKED:
            self._unasked += 1
            return []
        self._unasked = 0
        ready = super().select(0)
        if not ready and timeout != 0 and self._nothing_to_do(timeout):
            return super().select(None)
        return ready


def _where(task: asyncio.Task[Any]) -> str:
    """The calls that a task stands in, each with its line."""
    calls: list[str] = []
    at: Any = task.get_coro()
    while (frame := getattr(at, "cr_frame", None)) is not None:
        calls.append(f"{frame.f_code.co_name}:{frame.f_lineno}")
        at = at.cr_await
    return " > ".join(calls)


class VirtualClock(Clock):
    """The clock of the running loop, or of `loop`, which may be asked from threads as well."""

    def __init__(self, loop: VirtualTimeLoop | None = None) -> None:
        self._loop = loop or cast(VirtualTimeLoop, asyncio.get_running_loop())

    def monotonic(self) -> float:
        return self._loop.time()

    def utc(self) -> str:
        return self._loop.now_utc().isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"


def run_virtual(work: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine in virtual time and give what it returns; as `asyncio.run`."""
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(work)


def virtual_loops() -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    """For pytest-asyncio: a virtual loop for each test and its fixtures."""
    return {"virtual": VirtualTimeLoop}
