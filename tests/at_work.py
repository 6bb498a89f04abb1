"""Somebody at a simulated bench: what they do over MQTT, what befalls the hardware, and what is in the record."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from benchd.client import BenchClient
from benchd.devices import now_s
from benchd.errors import Refused

LENS, ADAPTERS, GLASS = "L-0417", ["ring-07"], ["pane-25"]


class Bench(Protocol):
    """A simulated bench, of processes or in virtual time."""

    @property
    def bench_file(self) -> Path: ...
    def client(self, user: str = ...) -> AbstractAsyncContextManager[BenchClient]: ...
    def ask_world(self, message: Mapping[str, Any]) -> dict[str, Any]: ...


B = TypeVar("B", bound=Bench)


class AtWork(Generic[B]):
    """One simulated bench, its daemon, and somebody who looks at both."""

    def __init__(self, stack: B) -> None:
        self.stack = stack
        self.client: BenchClient

    # what a person does

    @contextlib.asynccontextmanager
    async def at(self, user: str = "bench-hand") -> AsyncIterator[BenchClient]:
        """A client that holds control."""
        async with self.stack.client(user) as self.client:
            await self.client.command("take", beat=False, force=True)
            yield self.client

    async def home(self) -> None:
        await self.client.do("home", axes=["carriage"], within_s=40)
        await self.carriage(homed=True, state="idle")

    async def at_nominal(self) -> None:
        """Homed, the shipped lens set up as it stands on the bench, light on, at nominal."""
        await self.home()
        await self.client.command(
            "setup", beat=False,
            set={"lens": LENS, "adapters": ADAPTERS, "glass": GLASS, "distance_mm": 5000, "ring": "infinity"},
        )  # fmt: skip
        await self.client.do("nominal", within_s=20)
        await self.client.command("light", beat=False, light="target_light", level=0.4)

    async def in_a_sweep(self, readings: int, repeats: int = 10) -> str:
        """A sweep of which so many readings were told; gives its run."""
        heard = self.client.watch("reading")
        run = str((await self.client.command("sweep", repeats=repeats))["run"])
        async with asyncio.timeout(120):
            async for _, reading in heard:
                if reading["run"] == run and reading["idx"] >= readings - 1:
                    break
        return run

    async def in_flange_check(self, *, repeats: int = 10) -> str:
        """A run of flange_check that waits at its first question."""
        inputs = {"lens": LENS, "adapters": ADAPTERS, "glass": GLASS, "distance_mm": 5000, "repeats": repeats}
        run = await self.client.run("flange_check", inputs)
        await self.state_of(run, "asking")
        return run

    async def say_yes(self) -> None:
        """To the question that is open."""
        await self.client.answer((await self.client.kept("procedure"))["ask"]["ask"], True)

    async def sweeping_in_flange_check(self, *, readings: int = 6, repeats: int = 10) -> str:
        """A run of flange_check in the middle of its sweep."""
        heard = self.client.watch("reading")
        run = await self.in_flange_check(repeats=repeats)
        await self.say_yes()
        async with asyncio.timeout(120):
            async for _, reading in heard:
                if reading["idx"] >= readings - 1:
                    break
        return run

    async def state_of(self, run: str, *states: str, within_s: float = 120.0) -> dict[str, Any]:
        """The run's state once it is one of `states`; an end that is none of them is told."""
        async with asyncio.timeout(within_s):
            async for _, said in self.client.watch("procedure"):
                if said is not None and said["run"] == run:
                    if said["state"] in states:
                        return dict(said)
                    assert said["state"] not in ("done", "failed", "aborted"), said
        raise AssertionError

    async def quiet(self) -> None:
        """Whatever runs is ended, whatever moves is stopped, and all links are back."""
        procedure = await self.client.kept("procedure")
        if procedure["state"] not in ("idle", "done", "failed", "aborted"):
            with contextlib.suppress(Refused):  # ending by itself
                await self.client.command("abort", beat=False, run=procedure["run"])
            await self.state_of(procedure["run"], "failed", "aborted", "done")
        await self.carriage(state="idle")
        events = self.client.events()
        await self.client.stop()
        async with asyncio.timeout(120):
            async for _, event in events:
                if event["code"] == "stopped" and event["data"].get("user") == self.client.user:
                    return

    async def carriage(self, within_s: float = 120.0, **wanted: Any) -> dict[str, Any]:
        """The carriage's kept state once it has these values."""
        async with asyncio.timeout(within_s):
            async for _, said in self.client.watch("device/carriage"):
                if all(said[key] == value for key, value in wanted.items()):
                    return dict(said)
        raise AssertionError

    # what the world does

    def fault(self, who: str, what: str, **args: Any) -> None:
        self.stack.ask_world({"do": "fault", "who": who, "what": what, "args": args})

    def place_um(self) -> float:
        """Where the carriage truly stands."""
        return float(self.stack.ask_world({"do": "truth"})["truth"]["now"]["carriage_um"])

    async def rests(self, within_s: float = 0.0) -> bool:
        """Whether the carriage comes to rest within this time; after a stop it rings by 3 um at most."""
        until = now_s() + within_s
        before = self.place_um()
        while True:
            await asyncio.sleep(0.15)
            now = self.place_um()
            if abs(now - before) < 5.0:
                return True
            if now_s() > until:
                return False
            before = now

    def mend(self) -> None:
        """Every fault of the hardware ends."""
        for who in ("board", "counter", "indicator"):
            self.fault(who, "plug")
            self.fault(who, "clear")
        self.fault("board", "shut_door")
        for what in ("stall", "switch_stuck", "switch_never", "encoder_frozen", "encoder_reversed"):
            self.fault("world", what, value=False)
        self.fault("world", "lose_steps", value=0)

    # what is kept

    @contextlib.contextmanager
    def record(self) -> Iterator[sqlite3.Connection]:
        """The record's file, opened by its own means and only to be read."""
        file = self.stack.bench_file.parent / "workshop.db"
        with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as connection:
            yield connection

    def row_of(self, run: str) -> tuple[str, str | None]:
        """State and end of a run in the record."""
        with self.record() as record:
            found = record.execute("SELECT state, ended FROM run WHERE id = ?", (int(run[2:]),)).fetchone()
        return found[0], found[1]

    def kept_readings(self, run: str) -> dict[tuple[int, str], float | None]:
        """Readings of a run in the record, by index and channel."""
        with self.record() as record:
            rows = record.execute("SELECT idx, channel, value FROM reading WHERE run = ?", (int(run[2:]),))
            return {(idx, channel): value for idx, channel, value in rows}
