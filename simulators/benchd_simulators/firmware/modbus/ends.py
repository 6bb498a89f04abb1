"""The drive's two ends: a serial cable, and a network socket that takes one connection at a time."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import TYPE_CHECKING

from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.modbus.frames import RtuEar, TcpEar, rtu, tcp
from benchd_simulators.firmware.modbus.server import BROADCAST, Tables, answered
from benchd_simulators.firmware.wire import Wire

if TYPE_CHECKING:
    from benchd_simulators.firmware.rig import Cable

PAUSE_S = 0.02
"""After so long a new frame begins, whatever came before: as far as a pause shows on a pseudo-terminal at all."""
ENDLESS_BAUD = 10**9


class SerialEnd:
    """Answers what comes over a cable to one of its units; a broadcast is obeyed by all and not answered."""

    def __init__(self, cable: Cable, units: Mapping[int, Tables]) -> None:
        self._cable, self._units = cable, units
        self._ear = RtuEar()
        self._pause: asyncio.TimerHandle | None = None
        cable.feed = self.feed

    def feed(self, data: bytes) -> None:
        """Bytes from the line."""
        if self._pause is not None:
            self._pause.cancel()
        self._pause = asyncio.get_running_loop().call_later(PAUSE_S, self._ear.forget)
        for byte in data:
            heard = self._ear.hear(byte)
            if heard is not None:
                self._heard(*heard)

    def _heard(self, unit: int, pdu: bytes) -> None:
        if unit == BROADCAST:
            for tables in self._units.values():
                answered(tables, pdu)
        elif unit in self._units:
            reply = answered(self._units[unit], pdu)
            if self._cable.port.in_use:
                self._cable.wire.send(rtu(unit, reply))


class NetworkEnd:
    """Answers what comes over TCP. Its faults are those of a wire."""

    def __init__(self, units: Mapping[int, Tables], journal: Journal, *, seed: int) -> None:
        self._units, self._journal = units, journal
        self._ear = TcpEar()
        self._peer: asyncio.Transport | None = None
        self._server: asyncio.Server | None = None
        self.port = 0
        self.wire = Wire(lambda: ENDLESS_BAUD, self._to_host, self._to_device, stall=self._deafen, seed=seed)

    async def plug(self) -> None:
        """Listen, on the same port as before. Idempotent. Raises OSError."""
        if self._server is None:
            loop = asyncio.get_running_loop()
            self._server = await loop.create_server(lambda: _Caller(self), "127.0.0.1", self.port, reuse_address=True)
            self.port = self._server.sockets[0].getsockname()[1]

    async def unplug(self) -> None:
        """Gone from the network, the connection with it. Idempotent."""
        if self._server is not None:
            self._server.close()
            self._server = None
        self.wire.out.clear()
        self.wire.into.clear()
        if self._peer is not None:
            self._peer.abort()
            self._peer = None

    def connected(self, transport: asyncio.Transport) -> None:
        """Somebody calls; a second one is hung up on."""
        if self._peer is not None:
            transport.abort()
            return
        self._peer, self._ear = transport, TcpEar()

    def gone(self, transport: asyncio.BaseTransport | None) -> None:
        """A caller has hung up."""
        if transport is self._peer:
            self._peer = None

    def heard(self, transport: asyncio.BaseTransport | None, data: bytes) -> None:
        """Bytes from a caller."""
        if transport is self._peer:
            self._journal.note("drive_tcp", "in", data)
            self.wire.receive(data)

    def _to_device(self, data: bytes) -> None:
        try:
            for number, unit, pdu in self._ear.hear(data):
                if unit in self._units:
                    self.wire.send(tcp(number, unit, answered(self._units[unit], pdu)))
        except ValueError:
            if self._peer is not None:
                self._peer.abort()

    def _to_host(self, data: bytes) -> None:
        if self._peer is not None:
            self._journal.note("drive_tcp", "out", data)
            self._peer.write(data)

    def _deafen(self, deaf: bool) -> None:
        if self._peer is not None:
            (self._peer.pause_reading if deaf else self._peer.resume_reading)()


class _Caller(asyncio.Protocol):
    """One connection of a `NetworkEnd`."""

    def __init__(self, end: NetworkEnd) -> None:
        self._end = end
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._end.connected(transport)

    def data_received(self, data: bytes) -> None:
        self._end.heard(self._transport, data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._end.gone(self._transport)
