"""Guards every call into a driver: time limit, check of the answer, and a fault that names device and driver.

Drivers may come from other packages. Their exceptions, delays and wrong answers make that device a fault, and never end
the daemon. A call that blocks the event loop cannot be ended from here; the driver interface says so.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Callable
from typing import Any, TypeVar

import structlog

from benchd.devices import DeviceError, DeviceFault, done_within
from benchd.devices.values import Health, Reading
from benchd.errors import ErrorCode

_log = structlog.get_logger("benchd.drivers")

T = TypeVar("T")

CANCEL_WITHIN_S = 2.0
"""Time that a cancelled call has to end; a motion has a time of its own."""
LAST_ITEM_S = 0.5
"""The same for the last item of an iterator."""
MOST_TRACEBACKS = 20
"""Number of different faults of one device whose traceback is logged."""
_ADVICE = "This is a fault of the driver, not of the bench; the log has the traceback for its author."
_HANGS = "Check the device; if it is well, this is a fault of its driver."
_LEFT = f"{_HANGS} Nothing else is asked of it until then; where it stays so, end benchd and begin anew."


class Guard:
    """The guard of one device. A DeviceError passes, as does the caller's cancellation; any other exception is a fault.

    So is Refused: callers of a device do not handle it. `passing` are further errors that a call may raise.
    """

    def __init__(self, name: str, driver: str) -> None:
        self.name = name
        self._driver = driver
        self._left: dict[asyncio.Task[Any], str] = {}
        self._logged: set[tuple[str, str]] = set()

    def fault(
        self, call: str, why: str, *, code: ErrorCode = "device_fault", advice: str = "", **data: str
    ) -> DeviceFault:
        """A fault of this device in `call`."""
        return DeviceFault(
            f"{self.name}: its driver '{self._driver}' {why}.",
            advice=advice or (_HANGS if code == "timeout" else _ADVICE),
            device=self.name,
            code=code,
            data={"device": self.name, "driver": self._driver, "call": call, **data},
        )

    def _fault_from(self, call: str, error: BaseException) -> DeviceFault:
        kind, text = type(error).__name__, str(error)[:300]
        if (call, kind) not in self._logged and len(self._logged) < MOST_TRACEBACKS:
            self._logged.add((call, kind))
            _log.warning("a driver failed", device=self.name, driver=self._driver, call=call, exc_info=error)
        why = f"failed in {call}: {kind}" + (f": {text.rstrip('.')}" if text else "")
        return self.fault(
            call, why, code="timeout" if kind == "TimeoutError" else "device_fault", error=kind, said=text
        )

    # ---- calls

    def now(self, call: str, work: Callable[[], T], passing: type[Exception] = DeviceError) -> T:
        """A synchronous call; errors of `passing` pass unchanged."""
        try:
            return work()
        except (DeviceError, passing):
            raise
        except (Exception, SystemExit) as error:
            raise self._fault_from(call, error) from error

    async def asked(
        self,
        call: str,
        work: Callable[[], Awaitable[T]],
        within_s: float | None,
        *,
        anyhow: bool = False,
        ends_within_s: float = CANCEL_WITHIN_S,
        passing: type[Exception] = DeviceError,
    ) -> T:
        """An async call, in a task of its own: one that swallows its cancellation is left behind after `ends_within_s`.

        Until it has returned, further calls of the device are refused, except `anyhow`. The event loop begins calls in
        the order of their requests, and before it wakes a cancelled caller: a requested stop is always begun.
        """
        if not anyhow:
            self.check_free(call)
        task = asyncio.create_task(self._guarded(call, work, passing), name=f"{call} of {self.name}")
        try:
            in_time = await done_within(task, within_s)
        except asyncio.CancelledError:
            await self._cancel_or_leave_behind(task, call, ends_within_s)
            raise
        if not in_time:
            await self._cancel_or_leave_behind(task, call, ends_within_s)
            raise self._timeout_fault(call, within_s)
        return task.result()

    def check_free(self, call: str) -> None:
        """Raise DeviceFault while a call is left behind."""
        if self.left_behind:
            why = f"has not come back from {next(iter(self._left.values()))} yet"
            raise self.fault(call, why, code="timeout", advice=_LEFT)

    @property
    def left_behind(self) -> bool:
        """Whether a call was left behind and has not returned yet."""
        return bool(self._left)

    @property
    def am_left_behind(self) -> bool:
        """Whether the calling task itself was left behind."""
        return asyncio.current_task() in self._left

    @property
    def am_cancelled(self) -> bool:
        """Whether the calling task was cancelled, even if the driver swallowed that."""
        me = asyncio.current_task()
        return me is not None and me.cancelling() > 0

    async def _guarded(self, call: str, work: Callable[[], Awaitable[T]], passing: type[Exception] = DeviceError) -> T:
        caller = asyncio.current_task()
        assert caller is not None
        asked_to_end = caller.cancelling()
        try:
            return await work()
        except (DeviceError, passing):
            raise
        except asyncio.CancelledError as error:
            if caller.cancelling() > asked_to_end:
                raise
            raise self._fault_from(call, error) from error  # cancelled by something inside the driver
        except (Exception, SystemExit) as error:
            raise self._fault_from(call, error) from error

    def _timeout_fault(self, call: str, within_s: float | None) -> DeviceFault:
        return self.fault(call, f"did not come back from {call} within {within_s:g} s", code="timeout")

    async def _cancel_or_leave_behind(self, task: asyncio.Task[Any], call: str, within_s: float) -> None:
        """Cancel the task once and wait for its end, even if the caller is cancelled meanwhile; further calls of the
        device are allowed during that time. If it has not ended by then it is left behind."""
        task.add_done_callback(self._returned)
        task.cancel()
        now_s = asyncio.get_running_loop().time
        ends_s = now_s() + within_s
        cancelled: asyncio.CancelledError | None = None
        while not task.done() and (rest_s := ends_s - now_s()) > 0.0:
            try:
                await asyncio.wait({task}, timeout=rest_s)
            except asyncio.CancelledError as again:
                cancelled = again
        if not task.done():
            self._left[task] = call
            _log.warning("a call is left behind", device=self.name, driver=self._driver, call=call)
        if cancelled is not None:
            raise cancelled

    def _returned(self, task: asyncio.Task[Any]) -> None:
        call = self._left.pop(task, None)
        if call is not None:
            _log.warning("it has come back", device=self.name, driver=self._driver, call=call)
        if not task.cancelled():
            task.exception()  # retrieved, as no caller awaits it any more

    async def items(
        self,
        call: str,
        work: Callable[[], AsyncIterator[T]],
        kind: type[T],
        within_s: float | None,
        ended: asyncio.Event,
    ) -> AsyncIterator[T]:
        """Items of a driver's iterator, each checked for its type and time limit; ends with it, or once `ended` is
        set."""
        source = self.now(call, work)
        ending = asyncio.create_task(ended.wait(), name=f"end of {call} of {self.name}")
        try:
            while True:
                step = asyncio.create_task(self._next(call, source), name=f"{call} of {self.name}")
                try:
                    await asyncio.wait({step, ending}, timeout=within_s, return_when=asyncio.FIRST_COMPLETED)
                    if ending.done():  # an item sent before the end is still delivered
                        await asyncio.wait({step}, timeout=LAST_ITEM_S)
                finally:
                    if not step.done():
                        await self._cancel_or_leave_behind(step, call, CANCEL_WITHIN_S)
                if step.cancelled() or not step.done():
                    if ending.done():
                        return
                    raise self._timeout_fault(call, within_s)
                more, item = step.result()
                if not more:
                    return
                yield self.of_kind(call, item, kind)
        finally:
            ending.cancel()
            await self._closed(call, source)

    async def _closed(self, call: str, source: AsyncIterator[T]) -> None:
        """What a generator holds open is let go now, and not when it is found by chance."""
        if isinstance(source, AsyncGenerator) and not self.left_behind:
            with contextlib.suppress(DeviceError):
                await self.asked(call, source.aclose, CANCEL_WITHIN_S, anyhow=True)

    async def _next(self, call: str, source: AsyncIterator[T]) -> tuple[bool, Any]:
        async def one() -> tuple[bool, Any]:
            try:
                return True, await anext(source)
            except StopAsyncIteration:
                return False, None

        return await self._guarded(call, one)

    # ---- answers

    def of_kind(self, call: str, answer: Any, kind: type[T]) -> T:
        """The answer, if it is of the promised type. Raises DeviceFault."""
        if not isinstance(answer, kind):
            raise self.fault(call, f"answered {call} with {answer!r:.80}, which is no {kind.__name__}")
        if isinstance(answer, Health) and answer.state not in ("ok", "degraded", "fault"):
            raise self.fault(call, f"answered {call} with the state {answer.state!r:.80}")
        if isinstance(answer, Reading):
            self.number(call, answer.value)
        return answer

    def number(self, call: str, answer: Any) -> float:
        """The answer, if it is a finite number. Raises DeviceFault."""
        if not isinstance(answer, int | float) or isinstance(answer, bool) or not math.isfinite(answer):
            raise self.fault(call, f"answered {call} with {answer!r:.80}, which is no finite number")
        return float(answer)
