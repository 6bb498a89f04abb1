"""What stands around every call into a driver: a time limit, and a name for whatever goes wrong in there.

Drivers are other people's code as well as ours. What they raise, how long they take and what they answer costs that
device, never the daemon. A call that blocks the loop cannot be ended from here; the driver interface says so.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, TypeVar

import structlog

from benchd.devices import DeviceError, DeviceFault
from benchd.devices.values import Health, Reading
from benchd.errors import ErrorCode

_log = structlog.get_logger("benchd.drivers")

T = TypeVar("T")

LET_GO_S = 2.0
"""So long a call that is not wanted any more may take to clean up after itself; a motion has a time of its own."""
LAST_S = 0.5
"""The same for the last of a series."""
KEPT = 20
"""So many different faults of one device have their traceback in the log."""
_ADVICE = "This is a fault of the driver, not of the bench; the log has the traceback for its author."
_HANGS = "Check the device; if it is well, this is a fault of its driver."
_LEFT = f"{_HANGS} Nothing else is asked of it until then; where it stays so, end benchd and begin anew."


class Guard:
    """Of one device. A DeviceError passes, as does the cancellation of the caller; all else is a fault.

    So is a refusal: whoever asks a device has no hand for one. `passing` are a call's own errors beside these.
    """

    def __init__(self, name: str, driver: str) -> None:
        self.name = name
        self._driver = driver
        self._left: dict[asyncio.Task[Any], str] = {}
        self._told: set[tuple[str, str]] = set()

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

    def _raised(self, call: str, error: BaseException) -> DeviceFault:
        kind, said = type(error).__name__, str(error)[:300]
        if (call, kind) not in self._told and len(self._told) < KEPT:
            self._told.add((call, kind))
            _log.warning("a driver failed", device=self.name, driver=self._driver, call=call, exc_info=error)
        why = f"failed in {call}: {kind}" + (f": {said.rstrip('.')}" if said else "")
        return self.fault(
            call, why, code="timeout" if kind == "TimeoutError" else "device_fault", error=kind, said=said
        )

    # ---- calls

    def now(self, call: str, work: Callable[[], T], passing: type[Exception] = DeviceError) -> T:
        """A call that is no coroutine; errors of `passing` are its own affair."""
        try:
            return work()
        except (DeviceError, passing):
            raise
        except (Exception, SystemExit) as error:
            raise self._raised(call, error) from error

    async def asked(
        self,
        call: str,
        work: Callable[[], Awaitable[T]],
        within_s: float | None,
        *,
        anyhow: bool = False,
        ends_within_s: float = LET_GO_S,
        passing: type[Exception] = DeviceError,
    ) -> T:
        """A call, in a task of its own: one that swallows its cancellation is left behind after `ends_within_s`.

        Until it has come back the device is asked nothing more, but `anyhow`. The loop begins calls in the order in
        which they were asked for, and before it wakes a caller that is cancelled: a stop that was asked for is begun.
        """
        if not anyhow:
            self.check_free(call)
        task = asyncio.create_task(self._named(call, work, passing), name=f"{call} of {self.name}")
        try:
            await asyncio.wait({task}, timeout=within_s)
        except asyncio.CancelledError:
            await self._let_go(task, call, ends_within_s)
            raise
        if not task.done():
            await self._let_go(task, call, ends_within_s)
            raise self._late(call, within_s)
        return task.result()

    def check_free(self, call: str) -> None:
        """Raise DeviceFault while a call is left behind."""
        if self.left_behind:
            why = f"has not come back from {next(iter(self._left.values()))} yet"
            raise self.fault(call, why, code="timeout", advice=_LEFT)

    @property
    def left_behind(self) -> bool:
        """Whether a call was left behind and has not come back yet."""
        return bool(self._left)

    @property
    def am_left_behind(self) -> bool:
        """The same of the call that asks this."""
        return asyncio.current_task() in self._left

    @property
    def am_cancelled(self) -> bool:
        """Whether the call that asks this was cancelled, whatever the driver has made of it."""
        me = asyncio.current_task()
        return me is not None and me.cancelling() > 0

    async def _named(self, call: str, work: Callable[[], Awaitable[T]], passing: type[Exception] = DeviceError) -> T:
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
            raise self._raised(call, error) from error  # cancelled by something inside the driver
        except (Exception, SystemExit) as error:
            raise self._raised(call, error) from error

    def _late(self, call: str, within_s: float | None) -> DeviceFault:
        return self.fault(call, f"did not come back from {call} within {within_s:g} s", code="timeout")

    async def _let_go(self, task: asyncio.Task[Any], call: str, within_s: float) -> None:
        """Cancel it once, and give its orderly end the time, in which the device may still be asked, whoever else is
        cancelled meanwhile. What has not ended by then is left behind."""
        task.add_done_callback(self._came_back)
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

    def _came_back(self, task: asyncio.Task[Any]) -> None:
        call = self._left.pop(task, None)
        if call is not None:
            _log.warning("it has come back", device=self.name, driver=self._driver, call=call)
        if not task.cancelled():
            task.exception()  # nobody waits for it any more

    async def items(
        self,
        call: str,
        work: Callable[[], AsyncIterator[T]],
        kind: type[T],
        within_s: float | None,
        ended: asyncio.Event,
    ) -> AsyncIterator[T]:
        """What an iterator of the driver gives, each of its kind and within the time; ends with it, or once `ended` is
        set."""
        source = self.now(call, work)
        ending = asyncio.create_task(ended.wait(), name=f"end of {call} of {self.name}")
        try:
            while True:
                step = asyncio.create_task(self._next(call, source), name=f"{call} of {self.name}")
                try:
                    await asyncio.wait({step, ending}, timeout=within_s, return_when=asyncio.FIRST_COMPLETED)
                    if ending.done():  # what was said before the end is still told
                        await asyncio.wait({step}, timeout=LAST_S)
                finally:
                    if not step.done():
                        await self._let_go(step, call, LET_GO_S)
                if step.cancelled() or not step.done():
                    if ending.done():
                        return
                    raise self._late(call, within_s)
                more, item = step.result()
                if not more:
                    return
                yield self.of_kind(call, item, kind)
        finally:
            ending.cancel()

    async def _next(self, call: str, source: AsyncIterator[T]) -> tuple[bool, Any]:
        async def one() -> tuple[bool, Any]:
            try:
                return True, await anext(source)
            except StopAsyncIteration:
                return False, None

        return await self._named(call, one)

    # ---- answers

    def of_kind(self, call: str, answer: Any, kind: type[T]) -> T:
        """The answer, where it is of the promised kind. Raises DeviceFault."""
        if not isinstance(answer, kind):
            raise self.fault(call, f"answered {call} with {answer!r:.80}, which is no {kind.__name__}")
        if isinstance(answer, Health) and answer.state not in ("ok", "degraded", "fault"):
            raise self.fault(call, f"answered {call} with the state {answer.state!r:.80}")
        if isinstance(answer, Reading):
            self.number(call, answer.value)
        return answer

    def number(self, call: str, answer: Any) -> float:
        """The answer, where it is a finite number. Raises DeviceFault."""
        if not isinstance(answer, int | float) or isinstance(answer, bool) or not math.isfinite(answer):
            raise self.fault(call, f"answered {call} with {answer!r:.80}, which is no finite number")
        return float(answer)
