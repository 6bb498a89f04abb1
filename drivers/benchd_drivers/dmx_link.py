"""The kind of link `dmx`: an adapter from USB to RS-485, and one frame that all lights on the line share.

Nobody answers on such a line. What is known of a level is that the frame which carries it has been sent.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Iterable, Mapping
from typing import NoReturn, Self, cast

from pydantic import Field, model_validator

from benchd.devices import Link, LinkError, LinkTimeout, Matcher
from benchd_drivers.dmx_frame import BAUD, FEWEST_SLOTS, MOST_SLOTS, NULL_START, frame_s
from benchd_drivers.dmx_line import BREAK_SENT_S, MARK_SENT_S, PASSED_ON_S, BreakPort, DmxLine
from benchd_drivers.link.finding import Match, find
from benchd_drivers.link.thread import OpenPort
from benchd_drivers.link.transport import Transport
from benchd_drivers.link.wire import PortConfig, PortLink


class DmxConfig(PortConfig):
    """`port` is a path, `match` finds the adapter by identity. `slots` is how many a frame has, `refresh_hz` how often
    it is sent where nothing changes."""

    port: str | None = Field(default=None, min_length=1)
    match: Match | None = None
    slots: int = Field(default=MOST_SLOTS, ge=FEWEST_SLOTS, le=MOST_SLOTS)
    refresh_hz: float = Field(default=30.0, ge=2.0, le=500.0)

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.port is None) == (self.match is None):
            raise ValueError("give either port or match")
        takes_s = frame_s(self.slots) + BREAK_SENT_S + MARK_SENT_S + PASSED_ON_S
        if self.refresh_hz * takes_s > 1.0:
            raise ValueError(f"refresh_hz: at most {1 / takes_s:.0f} with {self.slots} slots, as long as a frame takes")
        return self


class DmxPort:
    """The adapter, open. A break is held by the system's own call, for as long as it is not ended by another one."""

    def __init__(self, where: str) -> None:
        from serial import STOPBITS_TWO, Serial

        self._serial = Serial(where, BAUD, stopbits=STOPBITS_TWO, timeout=0, write_timeout=0, exclusive=True)
        os.set_blocking(self._serial.fileno(), False)

    def fileno(self) -> int:
        return int(self._serial.fileno())

    def space(self, on: bool) -> None:
        self._serial.break_condition = on

    def write(self, data: memoryview) -> int:
        return os.write(self._serial.fileno(), data)

    def unsent(self) -> int:
        return int(self._serial.out_waiting)

    def close(self) -> None:
        self._serial.close()


class DmxLink(PortLink):
    """Lights claim their slots as they are made, and put values into the frame; slots that nobody claims stay at 0."""

    Config = DmxConfig
    of_bytes = False

    def __init__(self, name: str, config: DmxConfig) -> None:
        super().__init__(name, config)
        self._line = config
        self._owners: dict[int, str] = {}
        self._frame = bytearray(config.slots)
        self._sending: set[asyncio.Future[float]] = set()

    @classmethod
    def create(cls, name: str, config: DmxConfig) -> DmxLink:
        """The link, not yet open."""
        return cls(name, config)

    @classmethod
    def of(cls, link: Link | None, device: str) -> DmxLink:
        """The link of a device. Raises ValueError where it has none that is a DMX line."""
        if not isinstance(link, DmxLink):
            raise ValueError(f"link: {device} needs a link of kind dmx")
        return link

    @property
    def refreshed_s(self) -> float:
        """From one frame to the next where nothing changes."""
        return 1.0 / self._line.refresh_hz

    @property
    def sent_within_s(self) -> float:
        """By then a frame is through, or the line is lost."""
        return 2 * (self.refreshed_s + self._line.write_timeout_s)

    def claim(self, device: str, slots: Iterable[int]) -> None:
        """Slots, from 1, of one device alone. Raises ValueError for one that the frame lacks or another device has."""
        for slot in slots:
            if not 1 <= slot <= self._line.slots:
                raise ValueError(f"slots: slot {slot}: a frame on link {self.name} has slots 1 to {self._line.slots}")
            if slot in self._owners:
                whose = "named twice" if self._owners[slot] == device else f"of device {self._owners[slot]} already"
                raise ValueError(f"slots: slot {slot} is {whose}: a slot carries one level")
            self._owners[slot] = device

    def hold(self, values: Mapping[int, int]) -> None:
        """Put values (0 to 255) into the frame by slot: the next one carries them. Nothing where it is closed."""
        for slot, value in values.items():
            self._frame[slot - 1] = value
        if self._transport is not None and self._connected:
            self._transport.put(bytes(self._frame))

    async def send(self, values: Mapping[int, int]) -> float:
        """As `hold`, and wait until a frame with them is through; returns when (monotonic). Raises LinkError."""
        port = self._port()
        sent: asyncio.Future[float] = asyncio.get_running_loop().create_future()
        self._sending.add(sent)
        try:
            for slot, value in values.items():
                self._frame[slot - 1] = value
            data = bytes(self._frame)
            port.put(data, lambda t_mono: self._sent(sent, data, t_mono))
            async with asyncio.timeout(self.sent_within_s):
                return await sent
        except TimeoutError:
            text = f"No frame went out on link {self.name} in {self.sent_within_s:.1f} s."
            raise LinkTimeout(text, device=self.name, frames=self.recent) from None
        finally:
            self._sending.discard(sent)

    def _sent(self, sent: asyncio.Future[float], data: bytes, t_mono: float) -> None:
        if not sent.done():
            self._ring.log("out", NULL_START + data.rstrip(b"\0"), t_mono)
            sent.set_result(t_mono)

    # ---- the port

    def _new_transport(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[Exception], None]) -> Transport:
        self._frame = bytearray(self._line.slots)  # who is opened again begins in the dark
        return DmxLine(
            f"link {self.name}",
            lambda: cast(BreakPort, self._open_exclusively()),
            on_lost,
            slots=self._line.slots,
            period_s=self.refreshed_s,
            write_timeout_s=self._line.write_timeout_s,
        )

    def _where(self) -> str:
        if self._line.match is not None:
            return find(self._line.match, self.name)
        assert self._line.port is not None
        return self._line.port

    def _open_port(self, where: str) -> OpenPort:
        return DmxPort(where)

    def _part(self, why: LinkError) -> None:
        super()._part(why)
        for sent in self._sending:
            if not sent.done():
                sent.set_exception(why)

    # ---- what a line without answers cannot do

    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        self._refuse()

    def urgent(self, data: bytes) -> None:
        self._refuse()

    def _refuse(self) -> NoReturn:
        text = f"Nobody is asked anything on link {self.name}: a DMX line carries levels, in one direction."
        raise LinkError(text, advice="Only devices of the driver dmx_light hang on it.", device=self.name)
