"""Questions on one Modbus line: one at a time, each to its end, none ever sent twice by itself.

The client library frames, checks and pairs; its bytes go by the link's own port, which opens, locks and loses it as
any other's. What the library leaves to its user is kept here: who gives up an answer does not leave it to the next
question, a stop comes before what waits, and on a serial line answers that come too late are told from those to what
was asked since. There an answer carries no number, and a read's not even its address, so that after a missed one the
device echoes two bytes that were never sent before (function 8): it answers in order, so nothing older can follow.
"""

from __future__ import annotations

import asyncio
import logging
import struct
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from benchd.devices import Clock, DeviceError, FrameLog, LinkError, LinkGarbled, LinkTimeout, now_s
from benchd_drivers.link.questions import HANDED_OVER_S, HELD_UP_S
from benchd_drivers.link.transport import Transport
from benchd_drivers.modbus_question import ADVICE, ECHO, WORDS, Question
from benchd_drivers.modbus_turns import Turns

if TYPE_CHECKING:
    from pymodbus.pdu import ModbusPDU

SPARE_S = 1.0
"""The client library's own time-out is longer: the one that counts is kept here."""
NO_LIMIT = 1 << 60
GATEWAY_SILENT = 11
_WIRING = "Check power and wiring (the two lines swapped?), baud rate, parity and `unit_id`."


class ModbusRefused(DeviceError):
    """An exception reply: the device did not do it. `exception` is its code."""

    def __init__(self, exception: int, text: str, **kwargs: object) -> None:
        super().__init__(text, **kwargs)  # type: ignore[arg-type]
        self.exception = exception


class Asker:
    """One opening of a line. `port` gives the open transport or raises LinkError; `numbered`: answers carry a number
    (TCP); `pause_s` is the silence between two frames."""

    def __init__(
        self,
        name: str,
        port: Callable[[], Transport],
        recent: Callable[[], Sequence[FrameLog]],
        sent: Callable[[bytes, float], None],
        *,
        numbered: bool,
        timeout_s: float,
        pause_s: float,
    ) -> None:
        from pymodbus import FramerType
        from pymodbus.client import AsyncModbusTcpClient

        logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)  # an outage is told once, by our own errors
        self._name, self._recent = name, recent
        self._numbered, self._timeout_s, self._pause_s = numbered, timeout_s, pause_s
        self._clock = Clock()
        self._turns = Turns()
        self._tasks: set[asyncio.Task[ModbusPDU]] = set()
        self._lost: asyncio.Future[LinkError] = asyncio.get_running_loop().create_future()
        self._replies: asyncio.Queue[ModbusPDU] | None = None  # what nobody asks for is kept by nobody
        self._heard = 0  # bytes since the question under way
        self._quiet_from = 0.0
        self._in_step = True  # nothing but the answer to the question under way can come
        self._known: set[int] = set()  # units that were asked for an echo once
        self._owing: set[int] = set()  # those whose answer was missed
        self._echoing: set[int] = set()  # those that answer an echo, be it by a refusal
        self._echo = 0
        framer = FramerType.SOCKET if numbered else FramerType.RTU
        self._client = AsyncModbusTcpClient(
            name, framer=framer, timeout=timeout_s + SPARE_S, retries=0, reconnect_delay=0, trace_pdu=self._seen
        )
        self._client.set_max_no_responses(NO_LIMIT)  # else it would hang up by itself
        self._client.ctx.connection_made(_Carrier(port, sent))

    # ---- the line

    def received(self, data: bytes) -> None:
        """Bytes from the port."""
        from pymodbus.exceptions import ModbusException

        self._heard += len(data)
        self._quiet_from = now_s() + self._pause_s
        # Of an RTU line the library takes one frame from what it is handed, and drops what is behind it. Where late
        # answers may come together with the one wanted it is handed bytes one by one.
        for piece in (data,) if self._in_step else (data[at : at + 1] for at in range(len(data))):
            try:
                self._client.ctx.data_received(piece)
            except (ModbusException, struct.error, ValueError, IndexError):
                continue  # noise in the shape of a frame: the question ends by its time-out

    def lost(self, why: LinkError) -> None:
        """Nothing more comes; whatever is asked now fails at once."""
        if not self._lost.done():
            self._lost.set_result(why)

    # ---- questions

    async def ask(self, question: Question, *, first: bool = False, go: Callable[[], None] = lambda: None) -> ModbusPDU:
        """The reply. `go` raises where it must not be sent any more; it is called as its turn has come. `first`: it
        stops something, and waits for nothing but the question under way.

        Raises ModbusRefused (an exception reply), LinkTimeout, LinkGarbled, LinkError. Cancelled before its turn it
        was not sent; later it is carried out to its end, and the next waits for that.
        """
        begun = asyncio.Event()
        task = self._put(question, first, go, begun)
        try:
            await asyncio.wait({task})
        except asyncio.CancelledError:
            if not begun.is_set():
                task.cancel()
            raise
        return task.result()

    def aside(self, question: Question) -> None:
        """Ask ahead of all that waits, and leave the answer."""
        self._put(question, True, lambda: None, asyncio.Event())

    def _put(
        self, question: Question, first: bool, go: Callable[[], None], begun: asyncio.Event
    ) -> asyncio.Task[ModbusPDU]:
        task = asyncio.create_task(self._in_turn(question, first, go, begun), name=f"modbus {self._name}")
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[ModbusPDU]) -> None:
        self._tasks.discard(task)
        if not task.cancelled():
            task.exception()

    async def _in_turn(
        self, question: Question, first: bool, go: Callable[[], None], begun: asyncio.Event
    ) -> ModbusPDU:
        while True:
            async with self._turns.turn(first=first):
                go()
                if first or self._numbered or self._knows(question.unit_id):
                    begun.set()
                    return self._told(question, await self._exchange(question))
                await self._get_in_step(question.unit_id)  # a turn of its own, so that a stop waits for no more

    def _knows(self, unit_id: int) -> bool:
        """Whether no older answer of that unit can follow."""
        return unit_id in self._known and unit_id not in self._owing

    async def _get_in_step(self, unit_id: int) -> None:
        """Have an echo tell that no older answer can follow. Raises LinkTimeout where the unit is silent."""
        self._echo = (self._echo + 1) % 0x10000
        try:
            await self._exchange(Question(unit_id, ECHO, 0, values=(self._echo,)))
            self._echoing.add(unit_id)
        except LinkTimeout:
            if unit_id in self._echoing:
                raise
        self._known.add(unit_id)
        self._owing.discard(unit_id)

    async def _exchange(self, question: Question) -> ModbusPDU:
        """The reply that fits; others come late. Raises LinkError, LinkTimeout, LinkGarbled."""
        from pymodbus.exceptions import ModbusException

        await self._clock.until(self._quiet_from)
        if self._lost.done():
            raise self._gone()
        self._heard = 0
        self._in_step = self._numbered or self._knows(question.unit_id)
        replies: asyncio.Queue[ModbusPDU] = asyncio.Queue()
        self._replies = replies
        ends = asyncio.get_running_loop().time() + self._timeout_s
        call = asyncio.ensure_future(question.asked(self._client))
        try:
            while not question.fits(reply := await self._next_reply(replies, call, ends)):
                continue
            return reply
        except (ModbusException, TimeoutError) as missed:
            if not self._numbered:
                self._owing.add(question.unit_id)
            text = f"{self._name}: unit {question.unit_id} gave no answer to '{question}' in {self._timeout_s:.3g} s"
            full: Any = {"advice": _WIRING, "device": self._name, "frames": self._recent()}
            if self._heard:
                raise LinkGarbled(f"{text}, but {self._heard} bytes came that are none.", **full) from missed
            raise LinkTimeout(f"{text}.", **full) from missed
        finally:
            self._replies = None
            if not call.done():
                call.cancel()
                await asyncio.wait({call})

    async def _next_reply(
        self, replies: asyncio.Queue[ModbusPDU], call: asyncio.Future[ModbusPDU], ends: float
    ) -> ModbusPDU:
        """Raises TimeoutError, LinkError, and what sending it raised; not before what came in while the loop was held
        up has been looked at."""
        loop = asyncio.get_running_loop()
        reply = asyncio.ensure_future(replies.get())
        try:
            some: set[asyncio.Future[Any]] = {reply, self._lost}
            if not call.done():
                some.add(call)
            await asyncio.wait(some, timeout=ends - loop.time(), return_when=asyncio.FIRST_COMPLETED)
            if not reply.done() and not self._lost.done() and not call.done() and loop.time() - ends > HELD_UP_S:
                await asyncio.wait({reply}, timeout=HANDED_OVER_S)
            if call.done():
                call.result()  # sent, and answered; else it raises
                await asyncio.wait({reply}, timeout=max(ends - loop.time(), HELD_UP_S))
            if reply.done():
                return reply.result()
            if self._lost.done():
                raise self._gone()
            raise TimeoutError
        finally:
            reply.cancel()

    def _seen(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        """Every reply of the unit asked, while the client library itself looks at the first alone."""
        if not sending and self._replies is not None:
            self._replies.put_nowait(pdu)
        return pdu

    def _gone(self) -> LinkError:
        why = self._lost.result()
        return LinkError(why.text, advice=why.advice, device=self._name, frames=self._recent())

    def _told(self, question: Question, reply: ModbusPDU) -> ModbusPDU:
        if not reply.isError():
            return reply
        code = int(getattr(reply, "exception_code", 0))
        text = f"{self._name}: unit {question.unit_id} refuses to {question}: {WORDS.get(code, 'unknown')} ({code})."
        full = {"advice": ADVICE.get(code, ""), "device": self._name, "frames": self._recent()}
        raise LinkTimeout(text, **full) if code == GATEWAY_SILENT else ModbusRefused(code, text, **full)


class _Carrier(asyncio.Transport):
    """The link's port as the client library knows it; closing is the link's own business."""

    def __init__(self, port: Callable[[], Transport], sent: Callable[[bytes, float], None]) -> None:
        super().__init__()
        self._port, self._sent = port, sent

    def write(self, data: bytes | bytearray | memoryview) -> None:
        frame = bytes(data)
        self._port().put(frame, lambda t_mono: self._sent(frame, t_mono))

    def close(self) -> None:
        """Nothing."""
