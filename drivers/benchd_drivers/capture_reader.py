"""The one thread that reads a source: it alone opens, sets, reads and releases it, and never rests while it is live.

A camera's pictures wait in queues of driver, socket and network. They are taken as they come, wanted or not, so that
nothing old is waiting when one is asked for; what was held up all the same shows in the pace (`capture_pace`).

A call into OpenCV cannot be broken off. One that hangs keeps its thread, which ends by itself once it comes back; it
is a daemon thread, so that the process can end without it.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar

from benchd.devices import DeviceError, Identity, LinkError, LinkTimeout
from benchd_drivers.capture_pace import Pace
from benchd_drivers.capture_settings import Source

T = TypeVar("T")
Opens = Callable[[], tuple[Source, Identity]]
Encodes = Callable[[Any], bytes]


@dataclass(frozen=True, slots=True)
class Taken:
    """One picture, encoded, and the monotonic time at which it arrived."""

    data: bytes
    arrived_s: float


@dataclass(eq=False, slots=True)
class _Want:
    after_s: float
    got: asyncio.Future[Taken]


class Reader:
    """From `start` until `stop`, or until the source is lost. `live` is false for files, which wait to be asked."""

    def __init__(self, name: str, opens: Opens, encodes: Encodes, *, live: bool, silent_s: float) -> None:
        self._name = name
        self._opens, self._encodes = opens, encodes
        self._live, self._silent_s = live, silent_s
        self._loop = asyncio.get_running_loop()
        self._opened: asyncio.Future[Identity] = self._loop.create_future()
        self.ended: asyncio.Future[None] = self._loop.create_future()
        self.lost: DeviceError | None = None
        self.last_s = time.monotonic()
        self._wants: list[_Want] = []
        self._orders: list[tuple[Callable[[Source], Any], int, asyncio.Future[Any]]] = []
        self._lock = threading.Lock()
        self._asked = threading.Event()
        self._stopping = threading.Event()
        self._pace, self._pass_over = Pace(), 0
        self._thread = threading.Thread(target=self._run, name=f"capture {name}", daemon=True)

    async def start(self) -> Identity:
        """Open the source. Raises what opening raised; the thread is then ended."""
        self._thread.start()
        return await asyncio.shield(self._opened)

    def stop(self) -> None:
        """Let the thread end; `ended` is done when it has."""
        self._stopping.set()
        self._asked.set()

    async def picture(self, after_s: float) -> Taken:
        """The first picture in step that arrives at `after_s` (monotonic) or later. Raises DeviceError."""
        want = _Want(after_s, self._loop.create_future())
        with self._lock:
            self._wants.append(want)
        return await self._answered(want.got, lambda: self._wants.remove(want) if want in self._wants else None)

    async def set(self, order: Callable[[Source], T], pass_over: int = 0) -> T:
        """Carry `order` out between two pictures, and pass over so many after it. Raises what it raises."""
        done: asyncio.Future[T] = self._loop.create_future()
        entry = (order, pass_over, done)
        with self._lock:
            self._orders.append(entry)
        return await self._answered(done, lambda: self._orders.remove(entry) if entry in self._orders else None)

    async def _answered(self, answer: asyncio.Future[T], withdraw: Callable[[], None]) -> T:
        if self.lost is not None:
            answer.cancel()
            await asyncio.sleep(0)  # who asks again and again leaves the loop to others
            raise self.lost
        self._asked.set()
        try:
            return await answer
        finally:
            with self._lock:
                withdraw()

    @property
    def behind(self) -> bool:
        """Whether pictures come faster than they can be taken."""
        return self._live and self._pace.behind

    # ---- in the thread

    def _run(self) -> None:
        try:
            source, identity = self._opens()
        except Exception as error:  # noqa: BLE001 - handed to whoever opens
            self._tell(self._opened, error)
            self._tell(self.ended, None)
            return
        try:
            self._tell(self._opened, identity)
            while not self._stopping.is_set():
                self._turn(source)
        except Exception as error:  # noqa: BLE001 - handed to whoever waits
            self._fail(error)
        finally:
            source.release()
            self._tell(self.ended, None)

    def _turn(self, source: Source) -> None:
        self._carry_out(source)
        with self._lock:
            idle = not self._wants and not self._orders
            if idle:
                self._asked.clear()
        if idle and not self._live:
            self._asked.wait()
            return
        began_s, computed_s = time.monotonic(), time.thread_time()
        if not source.grab():
            raise self._no_picture(time.monotonic() - began_s)
        self.last_s = arrived_s = time.monotonic()
        in_step = self._pace.came(arrived_s, time.thread_time() - computed_s) or not self._live
        if self._pass_over > 0:
            self._pass_over -= 1
            return
        with self._lock:
            served = [want for want in self._wants if in_step and want.after_s <= arrived_s]
        if not served:
            return
        there, image = source.retrieve()
        if not there:
            return  # a damaged one; the next may be whole
        taken = Taken(self._encodes(image), arrived_s)
        with self._lock:
            self._wants = [want for want in self._wants if want not in served]
        for want in served:
            self._tell(want.got, taken)

    def _carry_out(self, source: Source) -> None:
        with self._lock:
            orders, self._orders = self._orders, []
        for order, pass_over, done in orders:
            try:
                result = order(source)
            except Exception as error:  # noqa: BLE001 - handed to whoever ordered it
                self._tell(done, error)
                continue
            if pass_over:
                self._pace, self._pass_over = Pace(), pass_over
            self._tell(done, result)

    def _no_picture(self, waited_s: float) -> LinkError | DeviceError:
        if not self._live:
            return DeviceError(
                f"{self._name}: the file has ended.", advice="Begin anew with `benchd up`.", device=self._name
            )
        if waited_s >= 0.9 * self._silent_s:
            return LinkTimeout(
                f"{self._name}: no picture for {waited_s:.1f} s.", advice="Check the camera.", device=self._name
            )
        return LinkError(
            f"{self._name}: its pictures have ended.", advice="Check its cable, power and network.", device=self._name
        )

    def _fail(self, error: Exception) -> None:
        if not isinstance(error, DeviceError):
            error = LinkError(f"{self._name}: OpenCV failed: {type(error).__name__}: {error}"[:300], device=self._name)
        with self._lock:
            self.lost = error
            waiting = [want.got for want in self._wants] + [done for _, _, done in self._orders]
            self._wants, self._orders = [], []
        for future in waiting:
            self._tell(future, error)

    def _tell(self, future: asyncio.Future[Any], what: Any) -> None:
        def tell() -> None:
            if future.done():
                return
            if isinstance(what, Exception):
                future.set_exception(what)
                future.exception()  # retrieved: whoever waited may have gone
            else:
                future.set_result(what)

        with suppress(RuntimeError):  # the loop has ended before a call that hung
            self._loop.call_soon_threadsafe(tell)
