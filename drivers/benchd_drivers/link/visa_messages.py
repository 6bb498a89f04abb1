"""A link of whole messages, as USBTMC has them: a program message out, a response message back, in a thread of its own.

Nothing is read that was not asked for, since an instrument calls that an error (-420, Query UNTERMINATED). A read under
way cannot be broken off: it ends with its time-out, and whatever waits behind it waits for that. An answer that has not
come in time is waited for no longer and can be no later one's: the line is broken off, and opened anew as after any
loss; by IEEE 488.2 the instrument drops what it was about to say when it is asked again.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from benchd.devices import FrameLog, Link, LinkError, LinkGarbled, LinkTimeout, Matcher, now_s
from benchd_drivers.channel import Channel
from benchd_drivers.finishing import finish
from benchd_drivers.link.foreign import mapped
from benchd_drivers.link.lock import PortLock
from benchd_drivers.link.ring import Ring
from benchd_drivers.link.visa_config import VisaConfig

_USB = (
    "USB needs the Python package pyusb (`pip install 'benchd[usb]'`) and libusb; and your user access to the device."
)
_CHECK = "Check power and cable."


class VisaMessages(Link):
    """See `benchd.devices.Link`. `library` is what pyvisa opens it by."""

    def __init__(self, name: str, config: VisaConfig, library: str = "@py") -> None:
        self.name = name
        self._config = config
        self._library = library
        self._lock = PortLock(config.resource, name)
        self._thread: ThreadPoolExecutor | None = None
        self._resource: Any = None
        self._why_lost: LinkError | None = None
        self._changing, self._turn = asyncio.Lock(), asyncio.Lock()
        self._ring = Ring()
        self._lines: Channel[bytes] = Channel()

    # ---- open and close

    async def open(self) -> None:
        async with self._changing:
            if self.connected:
                return
            await self._end()
            try:
                self._lock.take()
            except OSError as error:
                raise mapped(error, f"Link {self.name} cannot be locked", self.name) from error
            self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"link {self.name}")
            opening = asyncio.get_running_loop().run_in_executor(self._thread, self._opened)
            try:
                self._resource = await asyncio.shield(opening)
            except BaseException as error:
                await finish(self._ended(opening), f"close link {self.name}")
                if isinstance(error, LinkError) or not isinstance(error, Exception):
                    raise
                failed = mapped(error, f"{self._config.resource} cannot be opened", self.name)
                failed.advice = failed.advice or _USB
                raise failed from error
            self._why_lost = None

    async def close(self) -> None:
        async with self._changing:
            self._part(LinkError(f"Link {self.name} is closed.", device=self.name))
            await finish(self._end(), f"close link {self.name}")

    async def _ended(self, opening: asyncio.Future[Any]) -> None:
        """Wait for an opening that nobody wants any more, and put away what it made."""
        await asyncio.wait({opening})
        if opening.exception() is None:
            self._resource = opening.result()
        await self._end()

    async def _end(self) -> None:
        """The thread ends once what it is at has come back."""
        resource, thread, self._resource, self._thread = self._resource, self._thread, None, None
        if thread is not None:
            if resource is not None:
                await asyncio.get_running_loop().run_in_executor(thread, _put_away, resource)
            thread.shutdown(wait=False)
        self._lock.release()

    def _part(self, why: LinkError) -> None:
        self._why_lost = self._why_lost or why
        self._lines.end()

    # ---- messages

    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        deadline = now_s() + timeout_s
        try:
            async with asyncio.timeout(timeout_s):
                await self._turn.acquire()
        except TimeoutError:
            raise self._timeout(data, "the line was taken by another query") from None
        try:
            exchange = asyncio.get_running_loop().run_in_executor(
                self._open_thread(), self._exchange, self._resource, data, until, deadline
            )
        except BaseException:
            self._turn.release()
            raise
        exchange.add_done_callback(self._over)
        return await asyncio.shield(exchange)  # who gives up leaves it behind: its answer is dropped

    def _over(self, exchange: asyncio.Future[bytes]) -> None:
        self._turn.release()
        error = exchange.exception()
        if isinstance(error, LinkError) and not isinstance(error, LinkGarbled):
            self._part(error)

    def urgent(self, data: bytes) -> None:
        """Behind the exchange under way, ahead of all that waits."""
        self._open_thread().submit(self._write, self._resource, data, self._config.write_timeout_s)

    def _open_thread(self) -> ThreadPoolExecutor:
        if self._thread is None or self._resource is None or self._why_lost is not None:
            why = self._why_lost.text if self._why_lost else f"Link {self.name} is not open."
            raise LinkError(why, device=self.name, frames=self.recent)
        return self._thread

    # ---- in the thread

    def _opened(self) -> Any:
        import pyvisa

        return pyvisa.ResourceManager(self._library).open_resource(
            self._config.resource, write_termination=None, read_termination=None
        )

    def _exchange(self, resource: Any, data: bytes, until: Matcher, deadline: float) -> bytes:
        from pyvisa.constants import StatusCode
        from pyvisa.errors import VisaIOError

        try:
            self._write(resource, data, self._config.write_timeout_s)
            received = b""
            while (span := until(received)) is None:
                if len(received) > self._config.answer_bytes:
                    text = f"{self.name} sends {len(received)} bytes without an answer."
                    raise LinkGarbled(text, device=self.name, frames=self.recent)
                if (left_s := deadline - now_s()) <= 0.0:
                    raise self._timeout(data, "no whole answer came")
                resource.timeout = max(1.0, 1000.0 * left_s)
                more = resource.read_raw()
                self._ring.log("in", more, now_s())
                received += more
            return received[span]
        except LinkError:
            raise
        except Exception as error:
            if isinstance(error, VisaIOError) and error.error_code == StatusCode.error_timeout:
                raise self._timeout(data, "no whole answer came") from error
            lost = mapped(error, f"Link {self.name} is lost", self.name)
            lost.frames = tuple(self.recent)
            raise lost from error

    def _write(self, resource: Any, data: bytes, within_s: float) -> None:
        resource.timeout = 1000.0 * within_s
        resource.write_raw(data)
        self._ring.log("out", data, now_s())

    # ----

    def _timeout(self, data: bytes, why: str) -> LinkTimeout:
        text = f"{self.name} gave no answer to {data[:40]!r} in time: {why}."
        return LinkTimeout(text, device=self.name, frames=self.recent, advice=_CHECK)

    def listen(self) -> AsyncIterator[bytes]:
        """Nothing comes unasked; ends when the link does."""
        listener = self._lines.listen()
        if not self.connected:
            listener.end()
        return listener

    @property
    def connected(self) -> bool:
        return self._resource is not None and self._why_lost is None

    @property
    def why_lost(self) -> str:
        return "" if self._why_lost is None else str(self._why_lost)

    @property
    def recent(self) -> Sequence[FrameLog]:
        return self._ring.frames


def _put_away(resource: Any) -> None:
    """An instrument that is gone cannot be closed properly, and need not be."""
    try:
        resource.close()
    except Exception:  # noqa: BLE001 - whatever its library says of that
        return
