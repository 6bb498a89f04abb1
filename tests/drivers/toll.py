"""A far end between link and drive that lets questions and answers of Modbus TCP pass, or does not."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from benchd_simulators.firmware.modbus.frames import TcpEar, tcp


class Toll:
    """`asked` are the PDUs in order; those that begin with `unanswered` lose their answer, `swallowed` are answered by
    their own first bytes and never reach the drive; `held_s` is for how long one is kept back before it."""

    def __init__(self) -> None:
        self.url = ""
        self.asked: list[bytes] = []
        self.unanswered: dict[bytes, int] = {}
        self.swallowed: dict[bytes, int] = {}
        self.held_s: dict[bytes, float] = {}
        self._dropped: set[int] = set()

    def count(self, begins: bytes) -> int:
        """How often this was asked."""
        return sum(pdu.startswith(begins) for pdu in self.asked)

    def spend(self, of: dict[bytes, int], pdu: bytes) -> bool:
        for begins, left in of.items():
            if left and pdu.startswith(begins):
                of[begins] = left - 1
                return True
        return False

    async def serve(self, url: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        host, port = url.removeprefix("socket://").split(":")
        far_reader, far_writer = await asyncio.open_connection(host, int(port))
        back = asyncio.create_task(self._back(far_reader, writer))
        ear = TcpEar()
        try:
            while data := await reader.read(1024):
                for number, unit, pdu in ear.hear(data):
                    self.asked.append(pdu)
                    await asyncio.sleep(next((s for begins, s in self.held_s.items() if pdu.startswith(begins)), 0.0))
                    if self.spend(self.swallowed, pdu):
                        writer.write(tcp(number, unit, pdu[:5]))
                        continue
                    if self.spend(self.unanswered, pdu):
                        self._dropped.add(number)
                    far_writer.write(tcp(number, unit, pdu))
        except ConnectionError:
            pass
        finally:
            back.cancel()
            await asyncio.wait({back})
            far_writer.close()
            writer.close()

    async def _back(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ear = TcpEar()
        while data := await reader.read(1024):
            for number, unit, pdu in ear.hear(data):
                if number not in self._dropped:
                    writer.write(tcp(number, unit, pdu))


@asynccontextmanager
async def toll(url: str) -> AsyncIterator[Toll]:
    """One between here and `url`."""
    made = Toll()
    tasks: set[asyncio.Task[None]] = set()

    def called(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        tasks.add(asyncio.create_task(made.serve(url, reader, writer)))

    server = await asyncio.start_server(called, "127.0.0.1", 0)
    made.url = f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    try:
        yield made
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
