"""The real remote room without a bench behind it: what passes the gates is recorded at the seam to the handlers."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from benchd.bench.events import Events
from benchd.bench.notices import Notices
from benchd.commands.beat import Beat, publish_beat
from benchd.commands.control import Control, Role, Roles
from benchd.commands.events import LimitedEvents
from benchd.commands.ids import SeenIds
from benchd.commands.intake import Intake, Request
from benchd.devices.clock import Clock
from benchd.mqtt.connection import Endpoint
from benchd.mqtt.keep_connected import Outages
from benchd.mqtt.retained import RetainedMessages
from benchd.mqtt.topics import Topics
from benchd.remote.main_connection import Connection
from benchd.remote.stop_connection import StopConnection
from benchd.verbs.stop import StopArgs
from benchd.verbs.table import VERBS


class MqttRig:
    """The remote room of a bench called `north-rail`; what would be carried out is recorded in `done` and `stops`."""

    def __init__(self, endpoint: Callable[[], Endpoint], *, users: Mapping[str, Role] | None = None) -> None:
        self._endpoint = endpoint
        self.wait_s = 10.0
        self.clock = Clock()
        self.topics = Topics("north-rail")
        self.notices = Notices()
        self.stopped_s = -math.inf
        self.beat = Beat(self.clock, lambda: self.stopped_s)
        self.done: list[Request] = []
        self.stops: list[tuple[str, StopArgs]] = []
        self.while_stopping: Callable[[], Awaitable[None]] | None = None
        self.run_holder: str | None = None
        self.roles = Roles(users)
        self.control = Control(self.clock, self.roles, self.notices, run_of=lambda: self.run_holder)
        self.events = LimitedEvents(Events(self.notices, None, self.clock), self.clock, burst=1000, per_s=1000)
        self.intake = Intake(
            dict.fromkeys(VERBS, self._record),
            control=self.control,
            roles=self.roles,
            beat=self.beat,
            ids=SeenIds(self.clock),
            events=self.events,
        )

    async def _record(self, request: Request) -> dict[str, Any]:
        if request.verb in ("take", "release"):  # these the lease carries out, without a bench
            getattr(self.control, request.verb)(request.user, **request.args.model_dump())
            return {"holder": self.control.holder}
        self.done.append(request)
        return {"did": request.verb}

    async def _stop(self, user: str, args: StopArgs) -> dict[str, Any]:
        self.stops.append((user, args))
        self.stopped_s = self.clock.monotonic()
        publish_beat(self.beat, self.notices)
        if self.while_stopping is not None:
            await self.while_stopping()
        return {"beat": self.beat.current}

    async def _feed(self) -> None:
        while True:
            publish_beat(self.beat, self.notices)
            self.control.tell()
            await asyncio.sleep(0.05)

    async def __aenter__(self) -> MqttRig:
        outages = Outages(self.clock)
        retained = RetainedMessages(self.topics)
        self.connection = Connection(
            self._endpoint,
            topics=self.topics,
            intake=self.intake,
            notices=self.notices,
            events=self.events,
            retained=retained,
            outages=outages,
            clock=self.clock,
        )
        self.stop_connection = StopConnection(
            self._endpoint,
            self._stop,
            topics=self.topics,
            events=self.events,
            retained=retained,
            outages=outages,
            clock=self.clock,
        )
        jobs = (self._feed(), self.connection.run(), self.stop_connection.run())
        self.tasks = [asyncio.create_task(job) for job in jobs]
        await self.up()
        return self

    async def up(self) -> None:
        """Until both connections do their work; a task that failed is told at once."""
        ready = [asyncio.create_task(event.wait()) for event in (self.connection.ready, self.stop_connection.ready)]
        try:
            async with asyncio.timeout(self.wait_s):
                while not all(task.done() for task in ready):
                    waiting = [task for task in ready if not task.done()]
                    await asyncio.wait([*waiting, *self.tasks], return_when=asyncio.FIRST_COMPLETED)
                    for task in self.tasks:
                        if task.done():
                            task.result()
        finally:
            for one in ready:
                one.cancel()
            await asyncio.wait(ready)

    async def __aexit__(self, *_: object) -> None:
        for task in self.tasks:
            task.cancel()
        results = await asyncio.gather(*self.tasks, return_exceptions=True)
        assert all(isinstance(result, asyncio.CancelledError) for result in results), results


async def until(condition: Callable[[], bool], within_s: float = 120.0) -> None:
    """Return when `condition` holds; TimeoutError after `within_s`. For what another process or thread brings about."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110 what is waited for is plain data, changed from elsewhere
            await asyncio.sleep(0.005)
