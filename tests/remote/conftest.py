"""A real broker (each child that is installed), the real remote room on it, and recording handlers at the seam."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Iterator
from typing import Any

import pytest

from benchd.bench.notices import Notices
from benchd.devices.clock import Clock
from benchd.remote.beat import Beat
from benchd.remote.broker import EmbeddedBroker
from benchd.remote.broker_config import Child, Ports, mosquitto_executable
from benchd.remote.connection import Connection
from benchd.remote.control import Control, Roles
from benchd.remote.events import EventTeller
from benchd.remote.ids import SeenIds
from benchd.remote.intake import Handler, Intake, Request, control_handlers
from benchd.remote.outage import Outages
from benchd.remote.payloads import StopArgs
from benchd.remote.retained import Clearing
from benchd.remote.stop_road import StopRoad
from benchd.remote.topics import Topics
from benchd.remote.verbs import VERBS

CHILDREN: list[Child] = ["iotcore", "mosquitto"] if mosquitto_executable() else ["iotcore"]


class Rig:
    """The remote room of a bench called `north-rail`; what would be carried out is recorded in `done` and `stops`."""

    def __init__(self, broker: EmbeddedBroker) -> None:
        self.broker = broker
        self.clock = Clock()
        self.topics = Topics("north-rail")
        self.notices = Notices()
        self.beat = Beat(self.clock)
        self.done: list[Request] = []
        self.stops: list[tuple[str, StopArgs]] = []
        self.run_holder: str | None = None
        self.roles = Roles()
        self.control = Control(self.clock, self.roles, self.notices, run_of=lambda: self.run_holder)
        self.events = EventTeller(self.notices, self.clock, burst=1000, per_s=1000)
        handlers: dict[str, Handler] = dict.fromkeys(VERBS, self._record)
        self.intake = Intake(
            handlers | control_handlers(self.control),
            topics=self.topics,
            control=self.control,
            roles=self.roles,
            beat=self.beat,
            ids=SeenIds(self.clock),
            events=self.events,
        )

    async def _record(self, request: Request) -> dict[str, Any]:
        self.done.append(request)
        return {"did": request.verb}

    async def _stop(self, user: str, args: StopArgs) -> dict[str, Any]:
        self.stops.append((user, args))
        return {}

    async def _feed(self) -> None:
        while True:
            beat = self.beat.feed()
            if beat is not None:
                self.notices.put("beat", {"beat": beat})
            self.control.tell()
            await asyncio.sleep(0.05)

    async def __aenter__(self) -> Rig:
        outages = Outages(self.clock)
        clearing = Clearing(self.topics)
        self.connection = Connection(
            lambda: self.broker.endpoint,
            topics=self.topics,
            intake=self.intake,
            notices=self.notices,
            events=self.events,
            clearing=clearing,
            outages=outages,
            clock=self.clock,
        )
        self.road = StopRoad(
            lambda: self.broker.endpoint,
            self._stop,
            topics=self.topics,
            events=self.events,
            clearing=clearing,
            outages=outages,
            clock=self.clock,
        )
        self.tasks = [asyncio.create_task(job) for job in (self._feed(), self.connection.run(), self.road.run())]
        await self.up()
        return self

    async def up(self) -> None:
        """Until both connections do their work; a task that failed is told at once."""
        ready = [asyncio.create_task(event.wait()) for event in (self.connection.ready, self.road.ready)]
        async with asyncio.timeout(10):
            while not all(task.done() for task in ready):
                waiting = [task for task in ready if not task.done()]
                await asyncio.wait([*waiting, *self.tasks], return_when=asyncio.FIRST_COMPLETED)
                for task in self.tasks:
                    if task.done():
                        task.result()

    async def __aexit__(self, *_: object) -> None:
        for task in self.tasks:
            task.cancel()
        results = await asyncio.gather(*self.tasks, return_exceptions=True)
        assert all(isinstance(result, asyncio.CancelledError) for result in results), results


@pytest.fixture(params=CHILDREN)
def child(request: pytest.FixtureRequest) -> Child:
    which: Child = request.param
    return which


@pytest.fixture
async def broker(child: Child) -> AsyncIterator[EmbeddedBroker]:
    async with EmbeddedBroker(Clock(), child=child, ports=Ports(0, 0, 0)) as started:
        yield started


@pytest.fixture
async def rig(broker: EmbeddedBroker) -> AsyncIterator[Rig]:
    async with Rig(broker) as built:
        yield built
    left = {task.get_name() for task in asyncio.all_tasks()}
    assert {name for name in left if name.startswith(("mqtt-", "broker-"))} <= {"broker-stderr"}, left
    assert len(left) == 2, f"beside this fixture and the reader of the broker's stderr: {left}"


@pytest.fixture(autouse=True)
def no_threads_left() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    left = [thread for thread in set(threading.enumerate()) - before if thread.is_alive()]
    # The loop's own worker threads and the waiters for child processes end with the loop and the child.
    left = [thread for thread in left if not thread.name.startswith(("asyncio_", "waitpid-"))]
    assert left == []
