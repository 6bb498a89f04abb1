"""One question at a time over a stream of bytes, and what to do with answers that come too late."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchd.devices import LinkError, LinkGarbled, LinkTimeout, Matcher, done_within
from benchd_drivers.channel import Channel
from benchd_drivers.link.intake import Intake, Sorted
from benchd_drivers.link.ring import Ring
from benchd_drivers.link.transport import Transport

GRACE_S = 0.25
"""How long answers that came too late for their own queries are waited for before the next query is written."""
QUIET_S = 0.1
"""If they did not come: the least quiet after the next answer before it counts, of several the last one."""
GRACE_SHARE, QUIET_SHARE = 1 / 4, 2 / 3
"""The most of one question's time that either may take: a device that answers at once is heard within it."""
MOST_OWED = 8
HELD_UP_S = 0.02
"""A timer that comes so late shows that the machine had no time for us, while the device may well have answered."""
HANDED_OVER_S = 0.1
"""By then the port's thread has handed over what it found waiting."""
_BAUD = "Check the baud rate, the wiring, and that the right device is on this port."


class Questions:
    """Sorts what a port receives. `port` gives the open port or raises; lines nobody asked for go to `lines`.

    A device answers in order, so an answer that is owed comes before the one that is waited for, or never.
    """

    def __init__(
        self, name: str, most_bytes: int, port: Callable[[], Transport], lines: Channel[bytes], ring: Ring
    ) -> None:
        self._name = name
        self._most_bytes = most_bytes
        self._port = port
        self._lines = lines
        self._ring = ring
        self._turn = asyncio.Lock()
        self._intake = Intake(most_bytes)
        self._answer: asyncio.Future[bytes] | None = None
        self._behind = bytearray()  # what came behind an answer, before the caller came round to it
        self._aside: set[asyncio.Future[None]] = set()
        self._owed: list[Matcher] = []
        self._doubt = False  # an answer was given up that may still come
        self._unsure = False  # an answer came, and no quiet after it that would tell whose it was
        self._usual_s = 0.0  # how long answers take, the slower ones remembered for a while

    def restart(self) -> None:
        """The port is opened anew: nothing is held, nothing is owed."""
        self._intake = Intake(self._most_bytes)
        self._behind.clear()
        self._owed, self._doubt, self._unsure, self._usual_s = [], False, False, 0.0

    def received(self, data: bytes) -> None:
        """Bytes from the port. Behind an answer that nobody has taken yet they wait: more may be listened for."""
        if self._answer is not None and self._answer.done():
            self._behind += data
            return
        try:
            self._sort(self._intake.feed(data))
        except Exception as error:  # a matcher's own error belongs to the one who asked
            if self._answer is None or self._answer.done():
                raise
            self._answer.set_exception(error)

    def lost(self, why: LinkError) -> None:
        """Nothing more comes."""
        for written in self._aside:
            if not written.done():
                written.set_exception(why)
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(why)

    async def ask(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        """See `Link.query`."""
        if getattr(until, "at_once", False):
            await self._write(data, timeout_s)
            return b""
        deadline = asyncio.get_running_loop().time() + timeout_s
        try:
            async with asyncio.timeout_at(deadline):
                await self._turn.acquire()
        except TimeoutError:
            raise self._timeout(data, timeout_s, "the line was taken by another query") from None
        try:
            await self._settle_debts(timeout_s, deadline)
            if self._unsure and until(b"") is None:
                await self._quiet_first(data, until, timeout_s, deadline)
            self._sort_behind()
            return await self._exchange(data, until, deadline, timeout_s)
        finally:
            self._sort_behind()
            self._turn.release()

    async def _write(self, data: bytes, timeout_s: float) -> None:
        """Bytes that wait for no turn: behind the frames that are being written, whatever answer is under way."""
        port = self._port()
        written: asyncio.Future[None] = asyncio.get_running_loop().create_future()

        def done(t_mono: float) -> None:
            self._ring.log("out", data, t_mono)
            if not written.done():
                written.set_result(None)

        self._aside.add(written)
        ticket = port.put(data, done)
        try:
            async with asyncio.timeout(timeout_s):
                await written
        except TimeoutError:
            port.withdraw(ticket)
            raise self._timeout(data, timeout_s, "it was not written") from None
        except asyncio.CancelledError:
            port.withdraw(ticket)
            raise
        finally:
            self._aside.discard(written)

    async def _exchange(self, data: bytes, until: Matcher, deadline: float, timeout_s: float) -> bytes:
        port = self._port()
        expects = until(b"") is None
        doubtful = self._doubt and expects
        wanted = _last_of(until) if doubtful else until
        answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self._answer = answer

        def written(t_mono: float) -> None:
            self._ring.log("out", data, t_mono)
            if self._answer is answer:  # only what comes after the question can be its answer
                self._intake.ask(wanted)
                self._sort(self._intake.feed(b""))

        def owes() -> None:
            if expects and not port.withdraw(ticket):
                self._owed = [*self._owed, until][-MOST_OWED:]

        ticket = port.put(data, written)
        try:
            began = asyncio.get_running_loop().time()
            result = await _answered(answer, deadline)
            took_s = asyncio.get_running_loop().time() - began
            if doubtful:
                return await self._last(result, wanted, deadline, timeout_s, took_s)
            if expects:
                self._usual_s = max(0.9 * self._usual_s, took_s)
            return result
        except TimeoutError:
            if not answer.done():
                owes()
            if self._intake.looks_garbled():
                raise self._garbled("bytes that are no text") from None
            raise self._timeout(data, timeout_s, "no whole answer came") from None
        except asyncio.CancelledError:
            if not answer.done():
                owes()
            raise
        except LinkGarbled:
            owes()
            raise
        finally:
            self._end(answer)

    def _end(self, answer: asyncio.Future[bytes]) -> None:
        self._answer = None
        if answer.done() and not answer.cancelled():
            answer.exception()  # a loss that came in the same moment as a cancellation is told by the next call
        self._sort(self._intake.give_up())

    async def _last(self, result: bytes, wanted: Matcher, deadline: float, timeout_s: float, took_s: float) -> bytes:
        """Of several answers the last one belongs to this question. Raises TimeoutError where it cannot be told.

        That takes its time to the end, however soon it is foreseen: who asks again at once would ask without a pause.
        Each time the quiet that is needed becomes less, so that one slow answer does not make the link deaf for long;
        until it was long enough for a device as slow as that, doubt remains. Where there is no time for it here, it
        is listened for before the next question: else a device that is slow each time would never be heard again.
        """
        loop = asyncio.get_running_loop()
        needed_s = max(QUIET_S, 1.5 * self._usual_s)
        quiet_s = min(needed_s, QUIET_SHARE * timeout_s)
        self._unsure = True
        while True:
            left_s = deadline - loop.time()
            later = await self._listen_for(wanted, min(quiet_s, left_s))
            if later is not None:
                result = later
            elif left_s < quiet_s:
                self._usual_s = max(self._usual_s, took_s)
                raise TimeoutError
            else:
                self._usual_s /= 2
                self._unsure, self._doubt = False, quiet_s < min(needed_s, timeout_s)
                return result

    async def _quiet_first(self, data: bytes, until: Matcher, timeout_s: float, deadline: float) -> None:
        """Drop what still comes until it is quiet for as long as an answer takes: then none is due, and doubt ends.

        Raises LinkTimeout where too little time is left after it; the question is then not written.
        """
        self._port()
        loop = asyncio.get_running_loop()
        quiet_s = min(max(QUIET_S, 1.5 * self._usual_s), timeout_s)
        while (ends := loop.time() + quiet_s) <= deadline + HELD_UP_S:
            if await self._listen_for(_last_of(until), ends - loop.time()) is None:
                self._unsure = self._doubt = False
                break
        if self._unsure or deadline - loop.time() < self._usual_s:
            raise self._timeout(data, timeout_s, "it was not written, for an earlier answer could still have come")

    async def _settle_debts(self, timeout_s: float, deadline: float) -> None:
        """Drop the answers to earlier queries that nobody waits for any more; doubt remains where they do not come."""
        if not self._owed:
            return
        self._port()
        loop = asyncio.get_running_loop()
        ends = min(loop.time() + min(GRACE_S, GRACE_SHARE * timeout_s), deadline)
        while self._owed:
            try:
                settled = await self._listen_for(self._owed[0], ends - loop.time()) is not None
            except LinkGarbled:
                settled = False
            if not settled:
                self._owed, self._doubt = [], True
                self._intake.clear()
                return
            del self._owed[0]

    async def _listen_for(self, until: Matcher, seconds: float) -> bytes | None:
        answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self._answer = answer
        self._intake.ask(until)
        try:
            self._sort_behind()
            return await _answered(answer, asyncio.get_running_loop().time() + seconds)
        except TimeoutError:
            return None
        finally:
            self._end(answer)

    def _sort_behind(self) -> None:
        if not self._behind and self._answer is None:
            return
        data = bytes(self._behind)
        self._behind.clear()
        self._sort(self._intake.feed(data))

    def _sort(self, outcome: Sorted) -> None:
        for line in outcome.lines:  # in the order in which they came, so that an alarm is known before the state
            self._lines.tell(line)
        waiting = self._answer if self._answer is not None and not self._answer.done() else None
        if waiting is not None and outcome.answer is not None:
            waiting.set_result(outcome.answer)
        elif waiting is not None and outcome.overflow:
            waiting.set_exception(self._garbled(f"{self._most_bytes} bytes without an answer"))
        for line in outcome.later:
            self._lines.tell(line)

    def _timeout(self, data: bytes, timeout_s: float, why: str) -> LinkTimeout:
        text = f"{self._name} gave no answer to {data[:40]!r} in {timeout_s:.3g} s: {why}."
        return LinkTimeout(text, device=self._name, frames=self._ring.frames, advice="Check power and cable.")

    def _garbled(self, what: str) -> LinkGarbled:
        text = f"{self._name} sends {what}: check the baud rate."
        return LinkGarbled(text, advice=_BAUD, device=self._name, frames=self._ring.frames)


async def _answered(answer: asyncio.Future[bytes], deadline: float) -> bytes:
    """The answer. Raises TimeoutError at the deadline, but not before what came in while the loop was held up."""
    loop = asyncio.get_running_loop()
    in_time = await done_within(answer, deadline - loop.time())
    if not in_time and loop.time() - deadline > HELD_UP_S:
        in_time = await done_within(answer, HANDED_OVER_S)
    if not in_time:
        raise TimeoutError
    return answer.result()


def _last_of(until: Matcher) -> Matcher:
    """A matcher for the last of several answers that came together."""

    def match(received: bytes) -> slice | None:
        found, start = None, 0
        while (span := until(received[start:])) is not None and span.stop:
            found = slice(start + span.start, start + span.stop)
            start = found.stop
        return found

    return match
