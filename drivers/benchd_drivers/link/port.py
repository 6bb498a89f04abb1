"""The links themselves: a serial port and a TCP socket, one query at a time over a thread that owns the port."""

from __future__ import annotations

import asyncio
import time
from abc import abstractmethod
from collections import deque
from collections.abc import AsyncIterator, Sequence
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.devices import FrameLog, Link, LinkError, LinkGarbled, LinkTimeout, Matcher
from benchd_drivers.channel import Channel
from benchd_drivers.finishing import finish
from benchd_drivers.link.finding import Match, find
from benchd_drivers.link.foreign import mapped
from benchd_drivers.link.intake import Intake, Sorted
from benchd_drivers.link.lock import PortLock, holder_of, in_use
from benchd_drivers.link.thread import OpenPort, PortThread

GRACE_S = 0.25
"""How long an answer that came too late for its own query is waited for before the next query is written."""
QUIET_S = 0.1
"""If it did not come: how long the line must be quiet after the next answer, of several the last one counting."""
_BAUD = "Check the baud rate, the wiring, and that the right device is on this port."


class PortConfig(BaseModel):
    """What every kind of port has."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    write_timeout_s: float = Field(default=0.5, gt=0, le=10)
    answer_bytes: int = Field(default=4096, ge=64, le=1 << 20)


class PortLink(Link):
    """A link over a port that pyserial opens. See `benchd.devices.Link` for the contracts."""

    def __init__(self, name: str, config: PortConfig) -> None:
        self.name = name
        self._config = config
        self._thread: PortThread | None = None
        self._lock: PortLock | None = None
        self._why_lost: LinkError | None = None
        self._connected = False
        self._changing = asyncio.Lock()
        self._turn = asyncio.Lock()
        self._ring: deque[FrameLog] = deque(maxlen=20)
        self._intake = Intake(config.answer_bytes)
        self._lines: Channel[bytes] = Channel()
        self._answer: asyncio.Future[bytes] | None = None
        self._owed: Matcher | None = None

    @abstractmethod
    def _where(self) -> str:
        """The port as people call it, found anew (blocking; runs in the port's thread)."""

    @abstractmethod
    def _open_port(self, where: str) -> OpenPort:
        """Open it (blocking; runs in the port's thread)."""

    # ---- open and close

    async def open(self) -> None:
        async with self._changing:
            if self._connected:
                return
            await self._end_thread()
            self._intake = Intake(self._config.answer_bytes)
            self._owed = None
            self._why_lost = None
            thread = PortThread(
                f"link {self.name}",
                self._open_exclusively,
                lambda data: self._received(thread, data),
                lambda error: self._lost(thread, error),
                self._config.write_timeout_s,
            )
            self._thread = thread
            try:
                await thread.start()
            except (LinkError, asyncio.CancelledError):
                await finish(self._end_thread(), f"close link {self.name}")
                raise
            self._connected = True

    def _open_exclusively(self) -> OpenPort:
        where = self._where()
        lock = PortLock(where, self.name)
        lock.take()
        try:
            port = self._open_port(where)
        except Exception as error:
            lock.release()
            holder = holder_of(where) if where.startswith("/") and "lock" in str(error) else ""
            if holder:
                raise in_use(where, holder, self.name) from error
            raise mapped(error, f"{where} cannot be opened", self.name) from error
        self._lock = lock
        return port

    async def close(self) -> None:
        async with self._changing:
            self._part(LinkError(f"Link {self.name} is closed.", device=self.name))
            await finish(self._end_thread(), f"close link {self.name}")

    async def _end_thread(self) -> None:
        if self._thread is not None:
            await self._thread.stop()
            self._thread = None
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _lost(self, thread: PortThread, error: Exception) -> None:
        if thread is self._thread:
            if isinstance(error, LinkError):
                lost = LinkError(f"Link {self.name} is lost: {error.text}.", device=self.name, frames=self.recent)
            else:
                lost = mapped(error, f"Link {self.name} is lost", self.name)
                lost.frames = tuple(self.recent)
            self._part(lost)

    def _part(self, why: LinkError) -> None:
        self._connected = False
        self._why_lost = why
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(why)
        self._lines.end()

    @property
    def connected(self) -> bool:
        return self._connected

    def _port(self) -> PortThread:
        if self._thread is None or not self._connected:
            why = self._why_lost
            raise LinkError(
                why.text if why else f"Link {self.name} is not open.",
                advice=why.advice if why else "",
                device=self.name,
                frames=self.recent,
            )
        return self._thread

    # ---- bytes

    def urgent(self, data: bytes) -> None:
        self._port().put_urgent(data, lambda t: self._log("out", data, t))

    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        loop = asyncio.get_running_loop()
        deadline = loop.time() + timeout_s
        try:
            async with asyncio.timeout_at(deadline):
                await self._turn.acquire()
        except TimeoutError:
            raise self._timeout(data, timeout_s, "the line was taken by another query") from None
        try:
            doubtful = await self._settle_debt(deadline)
            return await self._exchange(data, until, deadline, timeout_s, doubtful)
        finally:
            self._turn.release()

    async def _exchange(self, data: bytes, until: Matcher, deadline: float, timeout_s: float, doubtful: bool) -> bytes:
        port = self._port()
        expects = until(b"") is None
        if doubtful and expects:
            until = _last_of(until)
        answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self._answer = answer

        def written(t_mono: float) -> None:
            self._log("out", data, t_mono)
            if self._answer is answer:  # only what comes after the question can be its answer
                self._intake.ask(until)
                self._sort(self._intake.feed(b""))

        ticket = port.put(data, written)
        try:
            async with asyncio.timeout_at(deadline):
                result = await answer
                while doubtful and expects:  # the last answer within the quiet time is the one to this question
                    later = await self._listen_for(until, min(QUIET_S, deadline - asyncio.get_running_loop().time()))
                    if later is None:
                        break
                    result = later
                return result
        except TimeoutError:
            if not port.withdraw(ticket) and expects:
                self._owed = until
            if self._intake.looks_garbled():
                raise self._garbled("bytes that are no text") from None
            raise self._timeout(data, timeout_s, "no whole answer came") from None
        except asyncio.CancelledError:
            if answer.cancelled() and not port.withdraw(ticket) and expects:
                self._owed = until
            raise
        except LinkGarbled:
            self._owed = until
            raise
        finally:
            self._end_question(answer)

    def _end_question(self, answer: asyncio.Future[bytes]) -> None:
        self._answer = None
        if answer.done() and not answer.cancelled():
            answer.exception()  # a loss that came in the same moment as a cancellation is told by the next call
        self._sort(self._intake.give_up())

    async def _settle_debt(self, deadline: float) -> bool:
        """Drop the answer to an earlier query that nobody waits for any more; True where it did not come by now."""
        if self._owed is None:
            return False
        self._port()
        grace = min(GRACE_S, (deadline - asyncio.get_running_loop().time()) / 2)
        came = await self._listen_for(self._owed, grace)
        self._owed = None
        if came is None:
            self._intake.clear()
        return came is None

    async def _listen_for(self, until: Matcher, seconds: float) -> bytes | None:
        answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self._answer = answer
        self._intake.ask(until)
        try:
            self._sort(self._intake.feed(b""))
            async with asyncio.timeout(seconds):
                return await answer
        except (TimeoutError, LinkGarbled):
            return None
        finally:
            self._end_question(answer)

    def _received(self, thread: PortThread, data: bytes) -> None:
        if thread is self._thread and self._connected:
            self._log("in", data, time.monotonic())
            try:
                self._sort(self._intake.feed(data))
            except Exception as error:  # a matcher's own error belongs to the one who asked
                if self._answer is None or self._answer.done():
                    raise
                self._answer.set_exception(error)

    def _sort(self, outcome: Sorted) -> None:
        for line in outcome.lines:  # in the order in which they came, so that an alarm is known before the state
            self._lines.tell(line)
        waiting = self._answer if self._answer is not None and not self._answer.done() else None
        if waiting is not None and outcome.answer is not None:
            waiting.set_result(outcome.answer)
        elif waiting is not None and outcome.overflow:
            waiting.set_exception(self._garbled(f"{self._config.answer_bytes} bytes without an answer"))
        for line in outcome.later:
            self._lines.tell(line)

    def listen(self) -> AsyncIterator[bytes]:
        listener = self._lines.listen()
        if not self._connected:
            listener.end()
        return listener

    # ---- what is told of failures

    def _timeout(self, data: bytes, timeout_s: float, why: str) -> LinkTimeout:
        text = f"{self.name} gave no answer to {data!r} in {timeout_s:g} s: {why}."
        return LinkTimeout(text, device=self.name, frames=self.recent, advice="Check power and cable.")

    def _garbled(self, what: str) -> LinkGarbled:
        return LinkGarbled(
            f"{self.name} sends {what}: check the baud rate.", advice=_BAUD, device=self.name, frames=self.recent
        )

    @property
    def recent(self) -> Sequence[FrameLog]:
        return tuple(self._ring)

    def _log(self, direction: Any, data: bytes, t_mono: float) -> None:
        last = self._ring[-1] if self._ring else None
        if direction == "in" and last and last.direction == "in" and last.data[-1:] != b"\n" and len(last.data) < 256:
            self._ring[-1] = FrameLog("in", last.data + data, last.t_mono)
        else:
            self._ring.append(FrameLog(direction, data[:1024], t_mono))


def _last_of(until: Matcher) -> Matcher:
    """A matcher for the last of several answers that came together."""

    def match(received: bytes) -> slice | None:
        found, start = None, 0
        while (span := until(received[start:])) is not None and span.stop:
            found = slice(start + span.start, start + span.stop)
            start = found.stop
        return found

    return match


class SerialLink(PortLink):
    """A serial port, by path or by what identifies its adapter. Opening it resets many boards."""

    class Config(PortConfig):
        """`port` is a path (a link to a device file is followed at each open); `match` finds it by identity."""

        port: str | None = Field(default=None, min_length=1)
        match: Match | None = None
        baud: int = Field(default=115200, ge=50, le=12_000_000)

        @model_validator(mode="after")
        def _one(self) -> Self:
            if (self.port is None) == (self.match is None):
                raise ValueError("give either port or match")
            return self

    def __init__(self, name: str, config: Config) -> None:
        super().__init__(name, config)
        self._serial = config

    @classmethod
    def create(cls, name: str, config: Config) -> SerialLink:
        """The link, not yet open."""
        return cls(name, config)

    def _where(self) -> str:
        if self._serial.match is not None:
            return find(self._serial.match, self.name)
        assert self._serial.port is not None
        return self._serial.port

    def _open_port(self, where: str) -> OpenPort:
        from serial import Serial

        return Serial(where, self._serial.baud, timeout=0, write_timeout=0, exclusive=True)


class TcpLink(PortLink):
    """A byte stream over TCP, as serial servers and network boards offer it: `socket://host:port`."""

    class Config(PortConfig):
        """`url` is `socket://host:port`."""

        url: str = Field(pattern=r"^socket://[^/:\s]+:\d{1,5}/?$")

    def __init__(self, name: str, config: Config) -> None:
        super().__init__(name, config)
        self._url = config.url

    @classmethod
    def create(cls, name: str, config: Config) -> TcpLink:
        """The link, not yet open."""
        return cls(name, config)

    def _where(self) -> str:
        return self._url

    def _open_port(self, where: str) -> OpenPort:
        from serial import serial_for_url

        port: OpenPort = serial_for_url(where, timeout=0, write_timeout=0)
        return port
