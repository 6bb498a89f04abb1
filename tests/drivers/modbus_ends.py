"""Far ends for Modbus: one that says what it was told to, and the client library's own server on both transports."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any

from benchd.testing.peer import PtyPeer
from benchd_drivers.modbus_link import ModbusRtu, ModbusTcp


def scripted(answers: Mapping[str, str]) -> PtyPeer:
    """Answers whole requests, both in hexadecimal as they stand on the line, and gives back an echo."""
    held = bytearray()
    known = {bytes.fromhex(asked): bytes.fromhex(said) for asked, said in answers.items()}

    def answer(peer: PtyPeer, data: bytes) -> None:
        held.extend(data)
        if (said := known.get(bytes(held))) is not None:
            held.clear()
            peer.send(said)
        elif len(held) == 8 and held[1] == 8:
            peer.send(bytes(held))
            held.clear()

    return PtyPeer(answer)


class Bridge:
    """Two pseudo-terminals, each the other's far end, as a serial cable between two computers."""

    def __init__(self) -> None:
        self._masters, slaves = [], []
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._masters.append(master)
            slaves.append(slave)
        self._slaves = slaves
        self.ours, self.theirs = (os.ttyname(slave) for slave in slaves)

    def __enter__(self) -> Bridge:
        loop = asyncio.get_running_loop()
        for one, other in (self._masters, self._masters[::-1]):
            loop.add_reader(one, _pass_on, one, other)
        return self

    def __exit__(self, *_: object) -> None:
        for master in self._masters:
            asyncio.get_running_loop().remove_reader(master)
        for fd in (*self._masters, *self._slaves):
            os.close(fd)


def _pass_on(one: int, other: int) -> None:
    os.write(other, os.read(one, 4096))


@asynccontextmanager
async def foreign_tcp(device: Any, **keys: Any) -> AsyncIterator[ModbusTcp]:
    """The library's TCP server, and our link to it, open."""
    from pymodbus.server import ModbusTcpServer

    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    port = server.transport.sockets[0].getsockname()[1]  # type: ignore[attr-defined]
    link = ModbusTcp.create("net", ModbusTcp.Config(url=f"socket://127.0.0.1:{port}", **keys))
    try:
        await link.open()
        yield link
    finally:
        await link.close()
        await server.shutdown()  # type: ignore[no-untyped-call]


@asynccontextmanager
async def foreign_rtu(device: Any, **keys: Any) -> AsyncIterator[ModbusRtu]:
    """The library's serial server, and our link to it, open."""
    from pymodbus import FramerType
    from pymodbus.server import ModbusSerialServer

    with Bridge() as cable:
        server = ModbusSerialServer(device, framer=FramerType.RTU, port=cable.theirs, baudrate=19200)
        await server.serve_forever(background=True)
        link = ModbusRtu.create("bus", ModbusRtu.Config(port=cable.ours, parity="none", **keys))
        try:
            await link.open()
            yield link
        finally:
            await link.close()
            await server.shutdown()  # type: ignore[no-untyped-call]
