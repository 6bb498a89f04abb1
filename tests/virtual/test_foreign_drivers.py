"""Drivers of other people, registered by an entry point of their own package, that break every promise.

Whatever they do costs their own device: it is told as its fault, by name, and the others go on.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from benchd.client.bench_client import BenchClient
from benchd.daemon import Daemon
from benchd.errors import BenchdError
from benchd.testing.virtual_time import VirtualClock
from tests.faults.foreign_bench import ForeignBench, told_in
from tests.virtual.ends import installed
from tests.virtual.ends.broker_end import MemoryBroker
from tests.virtual.same_each_time import same_each_time


class Foreign(ForeignBench):
    """The same in virtual time."""

    mqtt = "{broker: 'memory://127.0.0.1:1'}"

    @contextlib.asynccontextmanager
    async def up(self) -> AsyncIterator[BenchClient]:
        """The daemon, and a client that holds control; it must be alive at the end, and end in order."""
        broker, up = MemoryBroker("127.0.0.1:1"), asyncio.Event()
        with installed(), same_each_time(1), capture_logs() as self.log, pytest.MonkeyPatch.context() as patch:
            patch.setattr(sys, "path", [str(self.site), *sys.path])
            broker.start()
            daemon = Daemon(self.folder / "bench.yaml", clock=VirtualClock(), ready=lambda _: up.set())
            serving = asyncio.create_task(daemon.serve(), name="daemon")
            try:
                await up.wait()
                async with BenchClient("memory://127.0.0.1:1", bench="foreign", user="hand") as self.client:
                    await self.client.command("take", beat=False)
                    yield self.client
                assert not serving.done(), serving
            finally:
                daemon.end()
                await asyncio.wait({serving}, timeout=30.0)
                self.moods({})
                await asyncio.sleep(1.0)  # what was left behind comes back, as it would not with a process
                broker.stop()
            serving.result()


@pytest.fixture
def foreign(tmp_path: Path) -> Foreign:
    return Foreign(tmp_path)


BAD = '  bad: {{driver: foreign_meter, folder: "{folder}"}}'


async def test_whatever_a_driver_does_is_its_own_fault_and_the_others_go_on(foreign: Foreign) -> None:
    """A user's whole daemon ended at an OSError in `read()`, a KeyError or a Refused in `health()`, and hung there."""
    foreign.bench(more=BAD.format(folder=foreign.folder))
    async with foreign.up() as client:
        for call, mood, why in (
            ("bad.read", "raises", r"OSError: \[Errno 5\] Input/output error"),
            ("bad.health", "raises", r"OSError"),
            ("bad.read", "hangs", r"did not come back from read"),
            ("bad.health", "hangs", r"did not come back from health"),
            ("bad.read", "cancels", r"CancelledError"),
            ("bad.read", "exits", r"SystemExit: 3"),
            ("bad.health", "refuses", r"failed in health: Refused: It does not like to"),
            ("bad.read", "refuses", r"failed in read: Refused"),
            ("bad.health", "nonsense", r"answered health with 'nonsense', which is no Health"),
            ("bad.read", "nan", r"answered read with nan"),
            ("bad.read", "swallows", r"did not come back from read|has not come back from read yet"),
            ("lamp.level", "raises", r"OSError"),
        ):
            device = call.partition(".")[0]
            foreign.moods({call: mood})
            said = await foreign.state(device, "fault")
            driver = "foreign_light" if device == "lamp" else "foreign_meter"
            assert re.search(rf"^{device}: its driver '{driver}' .*({why})", said["text"]), said
            if call == "bad.read":
                with pytest.raises(BenchdError) as refused:
                    await client.command("read", beat=False, device="bad")
                assert refused.value.data["device"] == "bad", refused.value.as_json()
                assert refused.value.data["driver"] == "foreign_meter"
                assert refused.value.data["call"] == "read"
            await client.command("take", beat=False)
            assert (await client.command("read", beat=False, device="good"))["quality"] == "good"
            await foreign.told_on("good", 1)
            foreign.moods({})
            await foreign.state(device, "ok")
    assert any(entry.get("exc_info") for entry in foreign.log), "with the calls that led there"


async def test_a_carriage_whose_driver_fails_is_untrusted_and_stopped(foreign: Foreign) -> None:
    """The beat goes on, `home` and `take` are answered, and a move that fails in its driver ends as its fault."""
    async with foreign.up() as client:
        await client.do("home", axes=["carriage"], within_s=30)
        for mood in ("raises", "hangs"):
            foreign.moods({"stage.read": mood})
            said = await foreign.state("carriage", "fault")
            assert "stage: its driver 'foreign_axis'" in said["text"]
            assert said["homed"] is False
            await foreign.beats(2)
            foreign.moods({})
            await foreign.state("carriage", "idle")
            await client.do("home", axes=["carriage"], within_s=30)
        foreign.moods({"stage.surprises": "raises", "stage.move_to": "raises"})
        with pytest.raises(BenchdError, match="its driver 'foreign_axis' failed in move_to: OSError"):
            await client.do("move", axis="carriage", carriage_um=500, within_s=30)
        assert not (await client.kept("device/carriage"))["homed"]
        assert "stage.stop" in foreign.did
        foreign.moods({"stage.home": "hangs"})
        await foreign.beats(2)  # what stood still at the fault voids the beats before it
        with pytest.raises(BenchdError, match="did not come back from home within 2 s"):
            await client.do("home", axes=["carriage"], within_s=30)
        foreign.moods({"stage.close": "hangs", "good.close": "raises"})  # and it ends in order all the same


LEFT = "has not come back from home yet"


async def test_homing_that_never_comes_back_is_left_behind_and_nothing_moves_until_it_is(foreign: Foreign) -> None:
    """`benchd do home` never ended where the driver swallowed its cancellation, and no other command was taken."""
    async with foreign.up() as client:
        foreign.moods({"stage.home": "swallows"})
        with pytest.raises(BenchdError, match="did not come back from home within 2 s"):
            await client.do("home", axes=["carriage"], within_s=60)
        assert foreign.did[foreign.did.index("stage.home") :].count("stage.stop") >= 1  # nobody knows whether it moves
        said = await foreign.state("carriage", "fault")
        assert LEFT in said["text"]
        assert not said["homed"]
        stops = foreign.did.count("stage.stop")
        events = client.events()
        await client.stop()
        await told_in(events, "Stopped by hand")
        assert foreign.did.count("stage.stop") > stops  # passed on all the same
        await foreign.beats(4)  # the one that the stop is answered with is of its very instant, and void
        with pytest.raises(BenchdError, match=LEFT) as refused:
            await client.do("home", axes=["carriage"], within_s=60)
        assert "begin anew" in refused.value.advice
        assert foreign.did.count("stage.home") == 1
        foreign.moods({})
        await foreign.state("carriage", "idle")
        assert not (await client.kept("device/carriage"))["homed"]  # what comes back late makes no place trusted
        await client.do("home", axes=["carriage"], within_s=60)
        assert (await client.kept("device/carriage"))["homed"]


async def test_a_move_that_swallows_a_stop_ends_its_job_and_costs_the_place(foreign: Foreign) -> None:
    """The job that was stopped went on for good: the bench was busy until the daemon was killed."""
    async with foreign.up() as client:
        await client.do("home", axes=["carriage"], within_s=30)
        foreign.moods({"stage.move_to": "swallows"})
        move = asyncio.create_task(client.do("move", axis="carriage", carriage_um=500, within_s=60))
        await foreign.state("carriage", "moving")
        await client.stop()
        with pytest.raises(BenchdError, match="stopped"):
            await move
        assert not (await client.kept("device/carriage"))["homed"]
        assert "from move_to" in (await foreign.state("carriage", "fault"))["text"]
        # and the daemon ends in order with the call still out


async def test_a_move_and_its_stop_left_behind_must_both_come_back(foreign: Foreign) -> None:
    """Each stop waited for the one before it, for ever."""
    async with foreign.up() as client:
        foreign.moods({"stage.home": "swallows", "stage.stop": "swallows"})
        with pytest.raises(BenchdError, match="did not come back from home within 2 s"):
            await client.do("home", axes=["carriage"], within_s=60)
        events = client.events()
        await client.stop()
        await told_in(events, "did not come back from stop within 3 s")
        foreign.moods({"stage.stop": "swallows"})  # homing comes back alone
        await foreign.told_of("carriage", "has not come back from stop yet")
        await foreign.beats(2)
        with pytest.raises(BenchdError, match="has not come back from stop yet"):
            await client.do("home", axes=["carriage"], within_s=60)
        foreign.moods({})
        await foreign.state("carriage", "idle")
        await client.do("home", axes=["carriage"], within_s=60)


async def test_the_daemon_ends_while_homing_swallows_its_end(foreign: Foreign) -> None:
    """Its end does not wait for the call, and all else is closed in order."""
    async with foreign.up() as client:
        foreign.moods({"stage.home": "swallows", "stage.close": "swallows"})
        await client.command("home", axes=["carriage"])
        await foreign.state("carriage", "homing")
    assert "lamp.close" in foreign.did
    assert "stage.stop" in foreign.did


@pytest.mark.parametrize("before", [0.0, 0.3])
async def test_a_light_that_comes_on_long_after_it_was_refused_is_set_back(foreign: Foreign, before: float) -> None:
    """A level that was told as failed came into force later: the lamp was lit, after it had been put out."""
    async with foreign.up() as client:
        await client.command("light", beat=False, light="lamp", level=before)
        foreign.moods({"lamp.set_level(1)": "swallows"})
        with pytest.raises(BenchdError, match="did not come back from set_level"):
            await client.command("light", beat=False, light="lamp", level=1)
        assert "has not come back from set_level yet" in (await foreign.state("lamp", "fault"))["text"]
        if not before:
            await client.command("light", beat=False, light="lamp", level=0)
        foreign.moods({})
        said = await foreign.state("lamp", "ok")
        assert said["level"] == before
        assert foreign.did[foreign.did.index("lamp.at(1)") :].count(f"lamp.at({before:g})") == 1


async def test_a_light_goes_dark_whatever_it_has_not_come_back_from(foreign: Foreign) -> None:
    """While its `health()` hung, a user's lamp could not be put out: it 'has not come back from health yet'."""
    async with foreign.up() as client:
        await client.command("light", beat=False, light="lamp", level=0.5)
        foreign.moods({"lamp.health": "swallows"})
        assert "from health" in (await foreign.state("lamp", "fault"))["text"]
        with pytest.raises(BenchdError, match="has not come back from health yet"):
            await client.command("light", beat=False, light="lamp", level=0.5)
        await client.command("light", beat=False, light="lamp", level=0)
        assert "lamp.set_level(0)" in foreign.did
        foreign.moods({})
        await foreign.state("lamp", "ok")


async def test_a_device_without_a_link_is_opened_again(foreign: Foreign) -> None:
    """One that was unplugged stayed lost until the daemon was started anew; another in its place is not taken."""
    async with foreign.up() as client:
        events = client.events()
        foreign.moods({"good.lost": "yes", "good.open": "raises"})
        assert (await foreign.state("good", "offline"))["code"] == "link"
        foreign.moods({"good.lost": "yes", "good.model": "another"})
        async with asyncio.timeout(120):
            async for _, event in events:
                if "another device answers than at the start" in event["text"]:
                    break
        assert (await client.kept("device/good"))["state"] == "offline"
        foreign.moods({})
        async with asyncio.timeout(120):
            async for _, event in events:
                if event["code"] == "link_back":
                    assert event["data"]["device"] == "good"
                    break
        await foreign.state("good", "ok")
        assert "good.close" in foreign.did


async def test_a_carriage_that_cannot_say_its_travel_is_told_as_a_fault(foreign: Foreign) -> None:
    """The daemon ended: its travel was asked for to tell the very fault."""
    async with foreign.up() as client:
        limits_um = (await foreign.state("carriage", "idle"))["limits_um"]
        foreign.moods({"stage.spec": "raises"})
        said = await foreign.state("carriage", "fault")
        assert said["limits_um"] is None
        assert "its driver 'foreign_axis' failed in spec: OSError" in said["text"]
        # What moves nothing has nothing to do with it: a lamp most of all must go out.
        assert (await client.command("light", beat=False, light="lamp", level=0.5))["level"] == 0.5
        assert (await client.command("read", beat=False, device="good"))["quality"] == "good"
        await client.command("light", beat=False, light="lamp", level=0.0)
        foreign.moods({})
        assert (await foreign.state("carriage", "idle"))["limits_um"] == limits_um
        await client.command("take", beat=False)


async def test_an_axis_that_tells_a_surprise_of_no_kind_is_told_as_a_fault(foreign: Foreign) -> None:
    """The daemon ended at a text where a Surprise was due."""
    async with foreign.up() as client:
        events = client.events()
        foreign.moods({"stage.surprise": "it slipped"})
        async with asyncio.timeout(120):
            async for _, event in events:
                if "answered surprises with 'it slipped', which is no Surprise" in event["text"]:
                    break
        foreign.moods({})
        await client.command("take", beat=False)


async def test_a_link_that_cannot_say_how_it_is_costs_the_daemon_nothing(foreign: Foreign) -> None:
    """The daemon ended where the class of a link raised as it was asked whether it is connected, or why it is not."""
    foreign.bench(more=f'links: {{line: {{kind: foreign_line, folder: "{foreign.folder}"}}}}')
    async with foreign.up() as client:
        events = client.events()
        foreign.moods({"line.connected": "raises"})
        async with asyncio.timeout(120):
            while foreign.did.count("line.connected") < 3:  # noqa: ASYNC110 # what it was asked stands in a file
                await asyncio.sleep(0.05)
        foreign.moods({"line.lost": "yes"})
        async with asyncio.timeout(120):
            async for _, event in events:
                if event["code"] == "link_back":
                    assert event["data"]["link"] == "line"
                    break
        foreign.moods({})
        await client.command("take", beat=False)
