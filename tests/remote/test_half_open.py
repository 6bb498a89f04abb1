"""A connection whose other end is gone without a word."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import time

from benchd.broker.embedded import EmbeddedBroker
from benchd.testing.mqtt_rig import MqttRig, until


class Hose:
    """Forwards one port to another until it is pinched; then it takes everything and passes nothing on."""

    def __init__(self, to: int) -> None:
        self._to = to
        self._tasks: set[asyncio.Task[None]] = set()
        self.pinched: set[int] = set()
        self.opened = 0

    async def start(self) -> int:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        return int(self._server.sockets[0].getsockname()[1])

    def pinch(self) -> None:
        """What is open now goes dead; new connections work."""
        self.pinched = set(range(self.opened))

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        number, self.opened = self.opened, self.opened + 1
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._to)
        pumps = [
            asyncio.create_task(self._pump(number, reader, far_writer)),
            asyncio.create_task(self._pump(number, far_reader, writer)),
        ]
        self._tasks.update(pumps)
        await asyncio.wait(pumps, return_when=asyncio.FIRST_COMPLETED)
        for task in pumps:
            task.cancel()
        for end in (writer, far_writer):
            end.close()

    async def _pump(self, number: int, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                if number not in self.pinched:
                    writer.write(data)

    async def stop(self) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


async def test_both_connections_see_it_within_twenty_seconds_and_come_back(broker: EmbeddedBroker) -> None:
    hose = Hose(broker.ports.v5)
    port = await hose.start()
    through = dataclasses.replace(broker.endpoint, port=port)
    async with MqttRig(lambda: through) as rig:
        began = time.monotonic()
        hose.pinch()
        await until(lambda: not rig.stop_connection.ready.is_set(), 25)
        assert time.monotonic() - began <= 20
        await until(lambda: rig.connection.ready.is_set() and rig.stop_connection.ready.is_set(), 25)
        assert hose.opened > 3
        rig.notices.put("setup", {"rev": 7})
    await hose.stop()
