"""What is told of a carriage: never a place of one whose link is lost, in whatever turn that is noticed."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from benchd.bench.assembly import Assembly
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices, Subscription
from benchd.bench.reporter import Reporter
from benchd.devices import AxisSpec, Clock, DeviceError, Surprise
from benchd.files.loading import LoadedBench
from benchd.records.store import Store
from tests.fakes.stage import FakeAxis, Leg


class Still(FakeAxis):
    """Stands at 1000 um and is well."""

    def __init__(self) -> None:
        super().__init__("stage", Clock(), AxisSpec("um", 0.0, 10_000.0, 0.1, 1000.0, 5000.0, 0.1))
        self._leg, self._homed = Leg(0.0, 1000.0, 1000.0, 1.0), True


class Deaf(Still):
    """Fails whenever its surprises are asked for."""

    tried = 0

    async def surprises(self) -> AsyncIterator[Surprise]:
        self.tried += 1
        raise DeviceError("It tells no surprises.", device="stage")
        yield


async def told(subscription: Subscription) -> Mapping[str, Any]:
    """What is told of the carriage next."""
    async for notice in subscription:
        if notice.topic == "device/carriage" and notice.doc is not None:
            return notice.doc
    raise AssertionError("nothing")


@asynccontextmanager
async def watched(bench: Bench) -> AsyncIterator[None]:
    watching = asyncio.create_task(Reporter(bench, lambda: None, lambda name: "").run())
    try:
        async with asyncio.timeout(120.0):
            yield
    finally:
        watching.cancel()
        await asyncio.wait({watching})


@pytest.fixture
def stage() -> Still:
    return Still()


@pytest.fixture
async def bench(tmp_path: Path, wall: LoadedBench, stage: Still) -> AsyncIterator[Bench]:
    store = await Store.open("sqlite:///bench.db", tmp_path, Clock())
    try:
        yield Bench(wall, Assembly({}, {"stage": stage}, {"carriage": "stage"}), store, Notices(), Clock())
    finally:
        await store.close()


async def test_a_lost_link_is_told_before_the_next_look_and_without_a_place(bench: Bench) -> None:
    with bench.notices.subscribe() as notices:
        async with watched(bench):
            bench.trust.gain()
            while (seen := await told(notices))["carriage_um"] is None or not seen["homed"]:
                pass
            assert (seen["state"], seen["carriage_um"]) == ("idle", 1000.0)
            # In this order and one turn, as whoever brings the link back notices it: no look comes between.
            bench.carriage.barred = "link motion is lost"
            bench.trust.lose("link", "link motion was lost")
            now = await told(notices)
    assert (now["state"], now["homed"], now["why"]) == ("offline", False, "link motion was lost")
    assert (now["carriage_um"], now["depth_um"], now["offset_um"], now["u_um"]) == (None, None, None, None)


@pytest.mark.parametrize("stage", [Deaf()])
async def test_a_carriage_that_fails_again_and_again_is_told_once(bench: Bench, stage: Deaf) -> None:
    """Each try was an event of its own, five a second, and its state went to and fro."""
    with bench.notices.subscribe() as notices:
        async with watched(bench):
            while stage.tried < 5:  # noqa: ASYNC110 # it is asked by the reporter alone
                await asyncio.sleep(0.05)
        heard = []
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(0.2):
                async for notice in notices:
                    heard.append(notice)
    events = [notice.doc for notice in heard if notice.topic == "event"]
    assert [event["text"] for event in events if event is not None] == ["It tells no surprises."]
    states = [notice.doc["state"] for notice in heard if notice.topic == "device/carriage" and notice.doc is not None]
    assert states[states.index("fault") :].count("idle") == 0
