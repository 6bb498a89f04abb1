"""Other people's clients: mosquitto_sub and mosquitto_pub over the real broker, on its 3.1.1 and its 5 port.

Everything is done by messages, as the README tells it: no line of benchd runs on this side.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, Literal

import pytest
import pytest_asyncio

from benchd.broker.config import Child
from stack import Stack
from technician import Technician
from tests.other_clients import end
from tests.stack.conftest import PACE, SEED

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

CHILDREN: list[Child] = ["iotcore", "mosquitto"]
Version = Literal["v4", "v5"]
BOTH: tuple[Version, Version] = ("v4", "v5")
PROTOCOL = {"v4": "mqttv311", "v5": "mqttv5"}
LENS, RING, PANE = "L-0417", "ring-07", "pane-25"

Doc = dict[str, Any]


class Stranger:
    """A person with two shells: in one mosquitto_sub on everything, in the other mosquitto_pub."""

    def __init__(self, stack: Stack, version: Version) -> None:
        self._at = ["-h", "127.0.0.1", "-p", str(stack.ports["listeners"][version]), "-V", PROTOCOL[version]]
        self._root = f"benchd/{stack.ports['bench']}"
        self.user = f"stranger-{version}"
        self.kept: dict[str, Any] = {}
        self.heard: list[tuple[float, str, Any]] = []
        self._news = asyncio.Event()

    async def listen(self, listening: asyncio.subprocess.Process) -> None:
        """Take in what mosquitto_sub prints: a topic, a blank, and a JSON document or nothing."""
        assert listening.stdout is not None
        async for line in listening.stdout:
            topic, _, payload = line.decode().rstrip("\n").partition(" ")
            document = json.loads(payload) if payload else None
            below = topic.removeprefix(f"{self._root}/")
            self.kept[below] = document
            self.heard.append((time.monotonic(), below, document))
            self._news.set()

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[Stranger]:
        process = await asyncio.create_subprocess_exec(
            "mosquitto_sub", *self._at, "-F", "%t %p", "-q", "1", "-t", f"{self._root}/#",
            stdout=asyncio.subprocess.PIPE, limit=2**20,
        )  # fmt: skip
        reading = asyncio.create_task(self.listen(process))
        try:
            await self.until(lambda: "beat" in self.kept and "setup" in self.kept)
            yield self
        finally:
            await end(process)
            await reading

    async def until(self, holds: Callable[[], bool], within_s: float = 120.0) -> None:
        """Return when it holds of what was heard; asked anew at each message."""
        async with asyncio.timeout(within_s):
            while not holds():
                self._news.clear()
                await self._news.wait()

    def told(self, topic: str) -> list[Any]:
        """All documents heard on a topic, oldest first."""
        return [document for _, where, document in self.heard if where == topic]

    async def say(self, verb: str, payload: Doc | None) -> None:
        """One message, or an empty one; once more where the broker let go of it, as a person would.

        iotcore loses a client of one version now and then that comes at the moment in which one of the other goes:
        it is cut off, or never answered. An id is carried out once only, so that nothing is done twice.
        """
        what = ["-n"] if payload is None else ["-m", json.dumps(payload)]
        for _ in range(2):
            process = await asyncio.create_subprocess_exec(
                "mosquitto_pub", *self._at, "-q", "1", "-t", f"{self._root}/command/{self.user}/{verb}", *what,
                stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
            try:
                async with asyncio.timeout(5.0):
                    _, said = await process.communicate()
            except TimeoutError:
                process.kill()
                _, said = await process.communicate()
            if process.returncode == 0:
                return
        raise AssertionError(f"'{verb}' was not taken by the broker: {said.decode()}")

    async def ask(self, verb: str, **args: Any) -> Doc:
        """A command with an id and the latest beat; gives what the reply carries, the id beside it."""
        ident = secrets.token_hex(4)
        await self.say(verb, {"id": ident, "beat": self.kept["beat"]["beat"], "args": args})
        mine = f"reply/{self.user}"
        await self.until(lambda: any(reply["id"] == ident for reply in self.told(mine)))
        reply = next(reply for reply in self.told(mine) if reply["id"] == ident)
        assert reply["ok"], reply
        return {**reply["result"], "id": ident}

    async def do(self, verb: str, within_s: float = 120.0, **args: Any) -> Doc:
        """A command, and the event of its end, which must be 'done'."""
        ident = (await self.ask(verb, **args))["id"]
        return await self.end_of(ident, within_s)

    async def end_of(self, ident: str, within_s: float = 120.0) -> Doc:
        """The event with which what a command began came to its end, which must be 'done'."""
        await self.until(lambda: any(event["cause"] == ident for event in self.told("event")), within_s)
        event: Doc = next(event for event in self.told("event") if event["cause"] == ident)
        assert event["code"] == "done", event
        return event

    async def finding_of(self, run: str) -> Doc:
        await self.until(lambda: any(doc and doc["run"] == run for doc in self.told("finding/flange")))
        found: Doc = next(doc for doc in self.told("finding/flange") if doc and doc["run"] == run)
        return found

    async def readings_of(self, run: str, count: int) -> None:
        """Return when so many readings of a run were heard."""
        await self.until(lambda: sum(one["run"] == run for one in self.told("reading")) >= count, 20.0)

    def state_of(self, run: str) -> str | None:
        state = self.kept["procedure"]
        return state["state"] if state["run"] == run else None


@pytest_asyncio.fixture(scope="module", loop_scope="module", params=CHILDREN)
async def ready(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Stack]:
    """A bench on each broker, set up, homed, lit and driven to nominal by messages; the lens stands as stated."""
    folder = tmp_path_factory.mktemp(request.param)
    async with Stack(seed=SEED, pace=PACE, child=request.param, folder=folder) as stack:
        async with Stranger(stack, "v4").listening() as first:
            # The hand alone: a technician without a client has nothing to answer.
            hand = Technician(stack, stack.client(), lambda _: None)
            hand.fit([RING], [PANE], LENS)
            tape = hand.measure("tape")
            await first.ask("take")
            stands = {"lens": LENS, "adapters": [RING], "glass": [PANE], "ring": "infinity"}
            await first.ask("setup", set={**stands, "distance_mm": tape["distance_mm"], "m": tape["m"]})
            await first.do("home")
            await first.ask("light", level=0.4)
            await first.do("nominal")
            await first.ask("release")
        yield stack


@asynccontextmanager
async def in_control(stack: Stack, version: Version) -> AsyncIterator[Stranger]:
    async with Stranger(stack, version).listening() as one:
        await one.ask("take", force=True)  # a test that failed has not given it back
        yield one
        await one.ask("release")


async def test_watching_a_sweep(ready: Stack) -> None:
    """Who listens on either port hears every reading, in order, both orientations of each picture."""
    async with Stranger(ready, "v4").listening() as watcher, in_control(ready, "v5") as driver:
        run = (await driver.do("sweep", merit="edge"))["data"]["run"]
        await watcher.until(lambda: watcher.state_of(run) == "done")
        finding = await watcher.finding_of(run)
        for one in (watcher, driver):
            readings = [reading for reading in one.told("reading") if reading["run"] == run]
            indices = [reading["idx"] for reading in readings]
            assert indices == [idx for idx in range(len(indices) // 2) for _ in range(2)]
            assert [reading["channel"] for reading in readings] == ["edge.v", "edge.h"] * (len(indices) // 2)
            assert finding["readings"] == {"run": run, "indices": [0, indices[-1]]}
            assert len(indices) >= 2 * 9
            assert all(reading["unit"] == "1" and reading["device"] == "detector" for reading in readings)
        progress = [state["progress"] for state in watcher.told("procedure") if state["run"] == run]
        assert progress == sorted(progress)
        assert progress[-1] == 1.0


async def test_changing_the_plate(ready: Stack) -> None:
    """`setup` alone: what stands follows, the carriage with it where that is asked for."""
    async with in_control(ready, "v4") as one:
        await one.do("nominal")
        before = one.kept["setup"]
        nominal_um = before["chain"][-1]["value_um"]
        ready.hand("remove", "glass", PANE)
        await one.do("setup", set={"glass": []}, follow=True)
        await one.until(lambda: one.kept["setup"]["rev"] > before["rev"] and not one.kept["setup"]["stale"])
        without = one.kept["setup"]
        assert without["glass"] == []
        assert f"glass {PANE}" not in [term["term"] for term in without["chain"]]
        # 2.498 mm of n = 1.5230 move the image by t (1 - 1/n)
        shift_um = 2498.0 * (1.0 - 1.0 / 1.5230)
        # ... and the target, which stands nearer to the wall by as much, sees the wall's image a little deeper.
        wall_um = [
            term["value_um"] for doc in (before, without) for term in doc["chain"] if term["term"] == "conjugate"
        ]
        shift_um += wall_um[0] - wall_um[1]
        assert nominal_um - without["chain"][-1]["value_um"] == pytest.approx(shift_um, abs=0.1)
        await one.until(
            lambda: (
                one.kept["device/carriage"]["state"] == "idle"
                and abs(nominal_um - one.kept["device/carriage"]["carriage_um"] - shift_um) < 1.5
            )
        )
        ready.hand("fit", "glass", PANE)
        await one.ask("setup", set={"glass": [PANE]})
        await one.until(lambda: one.kept["setup"]["glass"] == [PANE])
        assert one.kept["setup"]["stale"] is True, "nobody asked the carriage to follow"
        await one.do("nominal")
        await one.until(lambda: not one.kept["setup"]["stale"])


@pytest.mark.parametrize("version", BOTH)
async def test_empty_stop_in_a_sweep(ready: Stack, version: Version) -> None:
    """At rest, the run paused; then it is ended, and the bench is free."""
    async with in_control(ready, "v5") as driver, Stranger(ready, version).listening() as anybody:
        begun = await driver.ask("sweep", merit="edge", repeats=5)
        run = begun["run"]
        await anybody.readings_of(run, 6)
        await anybody.say("stop", None)
        await anybody.until(lambda: anybody.state_of(run) == "paused")
        await anybody.until(lambda: anybody.kept["device/carriage"]["state"] == "idle")
        await asyncio.sleep(0.5)
        taken = len(anybody.told("reading"))
        places = [(await ready.truth())["now"]["carriage_um"] for _ in range(2)]
        assert places[0] == pytest.approx(places[1], abs=0.1)
        assert len(anybody.told("reading")) == taken, "nothing is taken after the stop"
        stopped = [event for event in anybody.told("event") if event["code"] == "stopped"]
        assert stopped[-1]["data"]["user"] == anybody.user
        assert anybody.kept["device/carriage"]["homed"] is True
        await driver.ask("abort", run=run)
        await anybody.until(lambda: anybody.state_of(run) == "aborted")
        await driver.do("nominal")


@pytest.mark.parametrize("version", BOTH)
async def test_a_paused_run_takes_nothing_and_goes_on_where_it_was(ready: Stack, version: Version) -> None:
    """What it then finds is held against an undisturbed one in virtual time."""
    async with in_control(ready, version) as driver:
        begun = await driver.ask("sweep", merit="edge")
        run = begun["run"]
        await driver.readings_of(run, 10)
        await driver.ask("pause", run=run)
        await driver.until(lambda: driver.state_of(run) == "paused")
        await asyncio.sleep(0.6)  # the point under way is finished
        taken = len(driver.told("reading"))
        await asyncio.sleep(1.0)
        assert len(driver.told("reading")) == taken, "a paused run takes no readings"
        await driver.ask("resume", run=run)
        await driver.end_of(begun["id"])
        finding = await driver.finding_of(run)
        indices = [reading["idx"] for reading in driver.told("reading") if reading["run"] == run]
        assert indices == [idx for idx in range(len(indices) // 2) for _ in range(2)]
        assert finding["readings"] == {"run": run, "indices": [0, indices[-1]]}
