"""An instrument of IEEE 488.2 and SCPI: common commands, status registers, error queue.

What it measures or sets is told by those who fill its table of commands.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping

from benchd_simulators.firmware.scpi_syntax import ERRORS, Header, Refusal, split, unit

QUEUE = 16
LONGEST = 512
OPC, QYE, DDE, EXE, CME, PON = 1, 4, 8, 16, 32, 128
"""Bits of the standard event status register (IEEE 488.2, chapter 11)."""

Answer = bytes | str | None
Handler = Callable[[list[str]], Answer]


class Instrument:
    """`handlers` by the notation of manuals. A handler may set `busy_s`, and nothing else is looked at for so long."""

    def __init__(self, identity: str, handlers: Mapping[str, Handler], reset: Callable[[], None]) -> None:
        self.identity = identity
        self.busy_s = 0.0
        self.no_error = '+0,"No error"'
        self._reset = reset
        self._errors: deque[int] = deque()
        self._event, self._event_mask, self._service_mask = PON, 0, 0
        own: dict[str, Handler] = {
            "*IDN?": lambda _: self.identity,
            "*RST": lambda _: self._reset(),
            "*CLS": lambda _: self._clear(),
            "*ESR?": lambda _: self._take_event(),
            "*ESE": self._set_event_mask,
            "*ESE?": lambda _: str(self._event_mask),
            "*SRE": self._set_service_mask,
            "*SRE?": lambda _: str(self._service_mask),
            "*STB?": lambda _: str(self._status()),
            "*OPC": lambda _: self._note(OPC),
            "*OPC?": lambda _: "1",
            "*WAI": lambda _: None,
            "*TST?": lambda _: "0",
            "SYSTem:ERRor[:NEXT]?": lambda _: self._next_error(),
            "SYSTem:VERSion?": lambda _: "1999.0",
        }
        self._table = [(Header(notation), handler) for notation, handler in {**own, **handlers}.items()]

    def power_up(self) -> None:
        """As after its switch was off: reset, with the bit that says so."""
        self._reset()
        self._errors.clear()
        self._event, self._event_mask, self._service_mask = PON, 0, 0

    def put_error(self, number: int) -> None:
        """An error into the queue, and its bit into the register; a full queue ends in -350."""
        if len(self._errors) < QUEUE:
            self._errors.append(number)
        else:
            self._errors[-1] = -350
        self._note(CME if number > -200 else EXE if number > -300 else DDE if number > -400 else QYE)

    def obey(self, header: str, parameters: list[str]) -> Answer:
        """One unit. Raises Refusal."""
        for known, handler in self._table:
            if known.fits(header):
                return handler(parameters)
        raise Refusal(-113)

    def _note(self, bit: int) -> None:
        self._event |= bit

    def _clear(self) -> None:
        self._errors.clear()
        self._event = 0

    def _take_event(self) -> str:
        event, self._event = self._event, 0
        return str(event)

    def _status(self) -> int:
        summary = (4 if self._errors else 0) | (32 if self._event & self._event_mask else 0)
        return summary | (64 if summary & self._service_mask else 0)

    def _set_event_mask(self, parameters: list[str]) -> None:
        self._event_mask = _register(parameters)

    def _set_service_mask(self, parameters: list[str]) -> None:
        self._service_mask = _register(parameters)

    def _next_error(self) -> str:
        if not self._errors:
            return self.no_error
        number = self._errors.popleft()
        return f'{number},"{ERRORS[number]}"'


def _register(parameters: list[str]) -> int:
    if not parameters:
        raise Refusal(-109)
    if not parameters[0].isdecimal() or int(parameters[0]) > 255:
        raise Refusal(-222)
    return int(parameters[0])


class Interface:
    """One way into an instrument: gathers messages up to their line end, has the units carried out in order, answers.

    Messages that come while it is busy wait. Answers of one message go out together, parted by semicolons.
    """

    def __init__(self, instrument: Instrument, say: Callable[[bytes], None]) -> None:
        self._instrument = instrument
        self._say = say
        self._held = bytearray()
        self._overrun = False
        self._waiting: deque[bytes] = deque()
        self._busy: asyncio.TimerHandle | None = None

    def feed(self, data: bytes) -> None:
        """Bytes from outside."""
        for byte in data:
            if byte != 0x0A:
                self._overrun = self._overrun or len(self._held) >= LONGEST
                if not self._overrun:
                    self._held.append(byte)
                continue
            if self._overrun:
                self._instrument.put_error(-363)
            else:
                self._waiting.append(bytes(self._held))
            self._held.clear()
            self._overrun = False
        if self._busy is None:
            self._work()

    def clear(self) -> None:
        """The line is gone: nothing waits any more, what it is busy with is never told."""
        self._held.clear()
        self._waiting.clear()
        self._overrun = False
        if self._busy is not None:
            self._busy.cancel()
            self._busy = None

    def _work(self) -> None:
        self._busy = None
        while self._waiting:
            answers = self._message(self._waiting.popleft())
            busy_s, self._instrument.busy_s = self._instrument.busy_s, 0.0
            if busy_s:
                self._busy = asyncio.get_running_loop().call_later(busy_s, self._finished, answers)
                return
            self._tell(answers)

    def _finished(self, answers: list[bytes]) -> None:
        self._tell(answers)
        self._work()

    def _tell(self, answers: list[bytes]) -> None:
        if answers:
            self._say(b";".join(answers) + b"\n")

    def _message(self, raw: bytes) -> list[bytes]:
        text = raw.strip(b"\r\0 ").decode("latin-1")
        if any(not 0x20 <= ord(letter) < 0x7F and letter != "\t" for letter in text):
            self._instrument.put_error(-101)
            return []
        answers: list[bytes] = []
        path = ""
        for piece in split(text, ";") if text else ():
            try:
                header, parameters = unit(piece)
                if header[0] not in "*:" and path:
                    header = f"{path}:{header}"
                answer = self._instrument.obey(header, parameters)
            except Refusal as refusal:
                self._instrument.put_error(refusal.number)
                return answers  # what is behind it in the message is not looked at
            if header[0] != "*":
                path = header.rpartition(":")[0]
            if answer is not None:
                answers.append(answer.encode("ascii") if isinstance(answer, str) else answer)
        return answers
