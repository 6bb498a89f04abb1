"""Drivers of other people, registered by an entry point of their own package, that break every promise.

Whatever they do costs their own device: it is told as its fault, by name, and the others go on.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import shutil
import threading
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from benchd.cli import exits
from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from benchd.testing.peer import PtyPeer
from stack import BIN

pytestmark = [pytest.mark.stack, pytest.mark.xdist_group("faults-foreign")]

HERE = Path(__file__).resolve().parent
ENTRY_POINTS = """
[benchd.drivers]
foreign_meter = foreign_drivers:ForeignMeter
foreign_light = foreign_drivers:ForeignLight
foreign_axis = foreign_drivers:ForeignAxis
foreign_future = foreign_drivers:FromTheFuture
foreign_strange = foreign_drivers:Strange
foreign_broken = foreign_broken:Anything

[benchd.links]
foreign_line = foreign_drivers:ForeignLink
"""
BENCH = """
bench: foreign
arrangement: wall
devices:
  stage: {{driver: foreign_axis, folder: "{folder}"}}
  lamp: {{driver: foreign_light, folder: "{folder}"}}
  good: {{driver: foreign_meter, folder: "{folder}"}}
{more}
roles: {{carriage: stage}}
motion: {{tolerance_um: 1.0, settle_ms: 10}}
joint: {{u_um: 0.7}}
base: {{calibration: bench-zero, alpha_per_K: 11.5e-6, given: {{length_um: 24000, u_um: 100}}}}
target: {{id: cross-2, pitch_mm: 1.0, u_pitch_mm: 0.001}}
mounts: {{m50: {{flange_depth_mm: 50.0}}}}
mqtt: {{broker: embedded, ports: [0, 0]}}
store: {{url: "sqlite:///foreign.db"}}
"""


class Foreign:
    """A bench of foreign devices alone, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        site = folder / "site"
        info = site / "foreign_drivers-2.5.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: foreign-drivers\nVersion: 2.5\n")
        (info / "entry_points.txt").write_text(ENTRY_POINTS)
        shutil.copy(HERE / "foreign_drivers.py", site)
        (site / "foreign_broken.py").write_text("import a_library_that_is_not_installed\n")
        (folder / "xdg").mkdir(mode=0o700)
        self.env = {**os.environ, "PYTHONPATH": str(site), "XDG_RUNTIME_DIR": str(folder / "xdg")}
        self.bench(more="")
        self.moods({})
        self.client: BenchClient

    def bench(self, *, more: str) -> None:
        """Write the bench file, with more devices."""
        text = BENCH.format(folder=self.folder, more=more)
        (self.folder / "bench.yaml").write_text(text, encoding="utf-8")

    def moods(self, moods: Mapping[str, str]) -> None:
        """How the devices behave from now on."""
        new = self.folder / "moods.new"
        new.write_text(json.dumps(dict(moods)))
        new.rename(self.folder / "moods.json")

    @property
    def did(self) -> list[str]:
        """What devices were asked for, in order."""
        file = self.folder / "did.txt"
        return file.read_text().split() if file.exists() else []

    @property
    def log(self) -> str:
        return (self.folder / "log").read_text(encoding="utf-8", errors="replace")

    async def spawn(self, *words: str) -> asyncio.subprocess.Process:
        with (self.folder / "log").open("wb") as log:
            return await asyncio.create_subprocess_exec(
                str(BIN / "benchd"), *words, stdin=asyncio.subprocess.DEVNULL, stdout=log, stderr=log, env=self.env
            )

    async def ends(self, *words: str) -> int:
        """The exit code of a command that ends by itself."""
        process = await self.spawn(*words)
        try:
            return await asyncio.wait_for(process.wait(), 60)
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()

    @contextlib.asynccontextmanager
    async def up(self) -> AsyncIterator[BenchClient]:
        """The daemon, and a client that holds control; it must be alive at the end, and end in order."""
        told = self.folder / "told.json"
        process = await self.spawn("up", str(self.folder / "bench.yaml"), "--ports-file", str(told))
        try:
            async with asyncio.timeout(60):
                while not told.exists():
                    assert process.returncode is None, self.log
                    await asyncio.sleep(0.05)
            ports = json.loads(told.read_text())
            async with BenchClient(ports["host"], ports["port"], bench=ports["bench"], user="hand") as self.client:
                await self.client.command("take", beat=False)
                yield self.client
            assert process.returncode is None, self.log
        finally:
            with contextlib.suppress(ProcessLookupError):
                process.terminate()
            code = await asyncio.wait_for(process.wait(), 30)
        assert code == exits.DONE, self.log

    async def state(self, device: str, state: str) -> dict[str, Any]:
        """What is told of a device once it is in this state."""
        async with asyncio.timeout(120):
            async for _, said in self.client.watch(f"device/{device}"):
                if said is not None and said["state"] == state:
                    return dict(said)
        raise AssertionError

    async def told_of(self, device: str, text: str) -> None:
        """Return once this is told of a device."""
        async with asyncio.timeout(120):
            async for _, said in self.client.watch(f"device/{device}"):
                if said is not None and text in said.get("text", ""):
                    return

    async def told_on(self, device: str, times: int) -> None:
        """A device is told of so many times more."""
        seen = set()
        async with asyncio.timeout(120):
            async for _, said in self.client.watch(f"device/{device}"):
                seen.add(said["seq"])
                if len(seen) > times:
                    return

    async def beats(self, times: int) -> None:
        """The beat goes on."""
        seen = set()
        async with asyncio.timeout(120):
            async for _, said in self.client.watch("beat"):
                seen.add(said["beat"])
                if len(seen) > times:
                    return


async def told_in(events: AsyncIterator[tuple[str, Any]], text: str) -> None:
    """Return once an event says this."""
    async with asyncio.timeout(120):
        async for _, event in events:
            if text in event["text"]:
                return


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
        assert "Traceback" in foreign.log
        assert "fault inside benchd" not in foreign.log


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
        await foreign.beats(2)
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


async def test_a_flooding_device_is_told_with_that_reason_and_a_stop_goes_through(foreign: Foreign) -> None:
    """A gauge said complete lines at 1 MB/s: no beat, and a stop that came late or never."""
    flooding = threading.Event()

    def answer(peer: PtyPeer, data: bytes) -> None:
        peer.send(b"R=1.0\n" * (4000 if flooding.is_set() else data.count(b"?")))

    with PtyPeer(answer) as peer:
        foreign.bench(
            more='  dial: {driver: line, link: dial_line, ask: "R?", pattern: "^R=([0-9.]+)$", quantity: gauge, '
            "range_um: [-600, 600], hysteresis_um: 0.3, u_gain: 0.001, grows: deeper}\n"
            f'links: {{dial_line: {{kind: serial, port: "{peer.path}"}}}}'
        )
        async with foreign.up() as client:
            await foreign.state("dial", "ok")
            flooding.set()

            def go_on() -> None:
                while flooding.is_set():
                    peer.send(b"R=1.0\n" * 1000)

            flood = threading.Thread(target=go_on)
            flood.start()
            try:
                await foreign.beats(1)
                await client.stop()
                said = await foreign.state("dial", "offline")
                assert "it sends without a pause" in said["text"], said
                await foreign.beats(2)
            finally:
                flooding.clear()
                await asyncio.to_thread(flood.join)
            await foreign.state("dial", "ok")


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


@pytest.mark.parametrize(
    ("mood", "code", "why"),
    [
        ({"good.create": "raises"}, exits.REFUSED, "good: its driver 'foreign_meter' failed in create: KeyError"),
        ({"good.open": "raises"}, exits.FAULT, "good: its driver 'foreign_meter' failed in open: OSError"),
        (
            {"good.open": "hangs"},
            exits.FAULT,
            "good: its driver 'foreign_meter' did not come back from open within 1 s",
        ),
        ({"good.open": "swallows"}, exits.FAULT, "did not come back from open within 1 s"),
        ({"good.open": "nonsense"}, exits.FAULT, "answered open with 'nonsense', which is no Identity"),
    ],
)
async def test_a_driver_that_does_not_begin_is_named_and_the_others_are_closed(
    foreign: Foreign, mood: dict[str, str], code: int, why: str
) -> None:
    """A user was told of a fault inside benchd; the lamp that was open by then stayed lit."""
    foreign.moods(mood)
    assert await foreign.ends("up", str(foreign.folder / "bench.yaml")) == code
    assert why in foreign.log
    assert "fault inside benchd" not in foreign.log
    assert foreign.did.count("lamp.open") == min(foreign.did.count("lamp.close"), 1)


@pytest.mark.parametrize(
    ("driver", "why"),
    [
        ("foreign_broken", r"\(package foreign-drivers 2.5\) cannot be loaded: ModuleNotFoundError: .*not_installed"),
        ("foreign_future", r"was written for version 2 of the driver interface; this benchd has 1"),
        ("foreign_strange", r"is no device: foreign_drivers:Strange is not a class of that kind"),
    ],
)
async def test_a_package_that_does_not_fit_is_refused_at_its_line(foreign: Foreign, driver: str, why: str) -> None:
    """Nothing looked at DRIVER_API, and a failed import was 'a fault inside benchd'."""
    foreign.bench(more=f'  odd: {{driver: {driver}, folder: "{foreign.folder}"}}')
    for verb in ("check", "up"):
        assert await foreign.ends(verb, str(foreign.folder / "bench.yaml")) == exits.REFUSED
        assert re.search(rf"bench.yaml:8:\d+ devices.odd.driver = .*{driver}.*{why}", foreign.log), foreign.log
