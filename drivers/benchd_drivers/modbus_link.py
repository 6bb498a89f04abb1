"""The kinds of link that speak Modbus: RTU on a serial port or behind a serial server, and TCP.

Port, lock, loss and opening again are those of every other link; what they carry is asked by `Asker`.
"""

from __future__ import annotations

import asyncio
import errno
import termios
from abc import abstractmethod
from collections.abc import Callable
from importlib.util import find_spec
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from benchd.devices import Link, LinkError, LinkTimeout, Matcher, now_s
from benchd_drivers.link.finding import Match, find
from benchd_drivers.link.inflow import Inflow, of_baud
from benchd_drivers.link.network import URL, open_socket
from benchd_drivers.link.thread import OpenPort
from benchd_drivers.link.transport import Transport
from benchd_drivers.link.wire import PortConfig, PortLink
from benchd_drivers.modbus_asker import Asker, ModbusRefused
from benchd_drivers.modbus_question import Question

BITS_A_CHARACTER = 11
"""A start bit, eight of data, parity or a second stop bit, a stop bit (Serial Line V1.02, 2.5.1)."""
FIXED_ABOVE_BAUD, FIXED_S = 19_200, 1.75e-3
"""Above this rate the silence between two frames no longer shrinks (the same, 2.5.1.1)."""
PARITIES = {"none": "N", "even": "E", "odd": "O"}


def silence_s(baud: int) -> float:
    """The silence before a frame, 3.5 characters (s). Source: MODBUS over Serial Line V1.02, 2.5.1.1."""
    return FIXED_S if baud > FIXED_ABOVE_BAUD else 3.5 * BITS_A_CHARACTER / baud


class ModbusLink(PortLink):
    """A line with Modbus servers on it. Drivers ask by `ask`; `query` takes a unit's address and a request PDU."""

    of_bytes = False

    class Config(PortConfig):
        """`timeout_s` is from a question to the last byte of its answer."""

        timeout_s: float = Field(default=0.3, ge=0.02, le=2.0)

    def __init__(self, name: str, config: Config) -> None:
        super().__init__(name, config)
        self.timeout_s = config.timeout_s
        self._asker: Asker | None = None

    @classmethod
    def of(cls, link: Link | None, device: str) -> ModbusLink:
        """The link of a device. Raises ValueError where it has none that speaks Modbus."""
        if not isinstance(link, ModbusLink):
            raise ValueError(f"link: {device} needs a link of kind modbus_rtu or modbus_tcp")
        return link

    @abstractmethod
    def check_unit(self, unit_id: int) -> None:
        """Raises ValueError for what is no address of a single server on this kind of line."""

    @property
    @abstractmethod
    def _numbered(self) -> bool:
        """Whether answers carry the number of their question."""

    def _pause_s(self) -> float:
        return 0.0

    async def ask(self, question: Question, *, first: bool = False, go: Callable[[], None] = lambda: None) -> Any:
        """See `Asker.ask`."""
        self._port()  # raises where it is not open
        assert self._asker is not None
        return await self._asker.ask(question, first=first, go=go)

    # ---- what every link offers

    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        """`data`: a unit's address and a request PDU, whose framing is this link's; the reply likewise, exception
        replies too. Raises ValueError for a function that is not spoken here."""
        question = Question.of_bytes(data)
        try:
            async with asyncio.timeout(timeout_s):
                reply = await self._reply(question)
        except TimeoutError:
            text = f"{self.name} gave no answer to '{question}' in {timeout_s:.3g} s."
            raise LinkTimeout(text, device=self.name, frames=self.recent) from None
        span = until(reply)
        if span is None:
            raise LinkTimeout(f"{self.name}: {reply.hex(' ')} is not the answer wanted.", device=self.name)
        return reply[span]

    async def _reply(self, question: Question) -> bytes:
        try:
            reply = await self.ask(question)
        except ModbusRefused as refused:
            return bytes((question.unit_id, question.function | 0x80, refused.exception))
        return bytes((question.unit_id, question.function)) + bytes(reply.encode())

    def urgent(self, data: bytes) -> None:
        """As `query`, ahead of all that waits; a question under way is answered first, as a line in two directions
        carries nothing else meanwhile."""
        self._port()
        assert self._asker is not None
        self._asker.aside(Question.of_bytes(data))

    # ---- the port

    def _new_transport(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[Exception], None]) -> Transport:
        self._asker = self._new_asker()
        return super()._new_transport(on_bytes, on_lost)

    def _new_asker(self) -> Asker:
        return Asker(
            self.name,
            self._port,
            lambda: self.recent,
            lambda data, t_mono: self._ring.log("out", data, t_mono),
            numbered=self._numbered,
            timeout_s=self.timeout_s,
            pause_s=self._pause_s(),
        )

    def _received(self, transport: Transport, data: bytes) -> None:
        if transport is self._transport and self._connected and self._asker is not None:
            self._ring.log("in", data, now_s())
            self._asker.received(data)

    def _part(self, why: LinkError) -> None:
        super()._part(why)
        if self._asker is not None:
            self._asker.lost(why)


def _library(name: str) -> None:
    """Raises ValueError where the client library is not installed: it is an extra, loaded where a bench names it."""
    if find_spec("pymodbus") is None:
        raise ValueError(f"link {name} needs the package pymodbus: pip install 'benchd[modbus]'")


class ModbusRtu(ModbusLink):
    """Modbus RTU: a serial port, or with `url` a serial server that passes bytes on as they are."""

    class Config(ModbusLink.Config):
        """`port` is a path, `match` finds it by identity, `url` is `socket://host:port`. Even parity and one stop bit
        are the standard's own; without parity it wants two stop bits."""

        port: str | None = Field(default=None, min_length=1)
        match: Match | None = None
        url: str | None = Field(default=None, pattern=URL)
        baud: int = Field(default=19_200, ge=1200, le=1_000_000)
        parity: Literal["none", "even", "odd"] = "even"
        stop_bits: Literal[1, 2] | None = None

        @model_validator(mode="after")
        def _one(self) -> Self:
            if [self.port, self.match, self.url].count(None) != 2:
                raise ValueError("give one of port, match and url")
            if self.url is not None and {"parity", "stop_bits"} & self.model_fields_set:
                raise ValueError("parity and stop_bits: nothing here; behind a serial server they are set in it")
            return self

    def __init__(self, name: str, config: Config) -> None:
        super().__init__(name, config)
        self._line = config

    @classmethod
    def create(cls, name: str, config: Config) -> ModbusRtu:
        """The link, not yet open."""
        _library(name)
        return cls(name, config)

    def check_unit(self, unit_id: int) -> None:
        if not 1 <= unit_id <= 247:
            raise ValueError(f"unit_id {unit_id}: 1 to 247 on a serial line; 0 is a broadcast, which nobody answers")

    @property
    def _numbered(self) -> bool:
        return False

    def _pause_s(self) -> float:
        return silence_s(self._line.baud)

    def _inflow(self) -> Inflow:
        return of_baud(self._line.baud, BITS_A_CHARACTER)

    def _where(self) -> str:
        if self._line.match is not None:
            return find(self._line.match, self.name)
        return str(self._line.port or self._line.url)

    def _open_port(self, where: str) -> OpenPort:
        from serial import Serial

        if self._line.url is not None:
            return open_socket(where)
        parity = PARITIES[self._line.parity]
        stop_bits = self._line.stop_bits or (2 if parity == "N" else 1)
        try:
            return Serial(
                where, self._line.baud, parity=parity, stopbits=stop_bits, timeout=0, write_timeout=0, exclusive=True
            )
        except termios.error as wrong:
            if wrong.args[0] != errno.EINVAL:
                raise
            asked = f"{self._line.baud} baud, parity {self._line.parity}, stop bits {stop_bits}"
            text = f"{where} takes no such line: {asked}."
            advice = "An adapter may lack that rate; a pseudo-terminal carries no parity: state `parity: none` there."
            raise LinkError(text, advice=advice, device=self.name) from wrong


class ModbusTcp(ModbusLink):
    """Modbus TCP; behind a gateway `unit_id` of a device is its address on the gateway's line."""

    class Config(ModbusLink.Config):
        """`url` is `socket://host:port`; the standard's port is 502."""

        url: str = Field(pattern=URL)

    def __init__(self, name: str, config: Config) -> None:
        super().__init__(name, config)
        self._url = config.url

    @classmethod
    def create(cls, name: str, config: Config) -> ModbusTcp:
        """The link, not yet open."""
        _library(name)
        return cls(name, config)

    def check_unit(self, unit_id: int) -> None:
        if not 0 <= unit_id <= 255:
            raise ValueError(f"unit_id {unit_id}: 0 to 255")

    @property
    def _numbered(self) -> bool:
        return True

    def _where(self) -> str:
        return self._url

    def _open_port(self, where: str) -> OpenPort:
        return open_socket(where)
