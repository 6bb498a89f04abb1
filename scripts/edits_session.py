"""A bench on which lenses are checked one after another while somebody edits its records."""

from __future__ import annotations

import asyncio
import json
import random
from collections import Counter
from collections.abc import Sequence
from contextlib import AbstractAsyncContextManager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from benchd.client import BenchClient
from benchd.errors import BenchdError, Refused
from benchd.records.reader import Reader
from edits_hand import Hand
from edits_judge import TECHNICIAN, Broken, Judge
from edits_shelf import Shelf
from technician import RunEnded, Technician

LENSES, ADAPTERS, GLASS = ("L-0417", "L-0418"), ["ring-07"], ["pane-25"]


class Bench(Protocol):
    """A bench with its daemon, whose disk can be slow and full."""

    @property
    def bench_file(self) -> Path: ...
    @property
    def disk(self) -> Any: ...
    @property
    def broker(self) -> Any: ...
    @property
    def name(self) -> str: ...
    def client(self, user: str = ...) -> AbstractAsyncContextManager[BenchClient]: ...
    def hand(self, do: str, what: str, value: Any = None) -> dict[str, Any]: ...
    def ask_world(self, message: Any) -> dict[str, Any]: ...


@dataclass
class Outcome:
    """What came of it; `broken` says where the rule did not hold, None where it did."""

    seed: int
    broken: str | None = None
    edits: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    counts: Counter[str] = field(default_factory=Counter)
    runs: Counter[str] = field(default_factory=Counter)
    virtual_s: float = 0.0

    def as_json(self) -> dict[str, Any]:
        by_kind = {name: dict(sorted(getattr(self, name).items())) for name in ("edits", "refused", "counts", "runs")}
        return {"seed": self.seed, "broken": self.broken, "total": self.edits.total(), **by_kind,
                "virtual_s": round(self.virtual_s, 1)}  # fmt: skip


class Checker:
    """The technician, who checks one lens after another and proves a shim now and then."""

    def __init__(self, bench: Bench, client: BenchClient, judge: Judge, seed: int) -> None:
        self._bench, self._client, self._judge = bench, client, judge
        self._hands = Technician(bench, client, lambda _: None)
        self._chance = random.Random(f"technician {seed}")
        self.runs: Counter[str] = Counter()
        self._shims: list[int] = [50]

    async def ready(self) -> None:
        """Absolute zero is found; the adapter's length stays the one that its record gives."""
        hands = self._hands
        await hands.calibrate([])
        hands.fit(ADAPTERS, GLASS, LENSES[0])
        tape = hands.measure("tape")
        stands = {"adapters": ADAPTERS, "glass": GLASS, "ring": "infinity", "lens": LENSES[0]}
        await self._client.command("setup", set={**stands, "distance_mm": tape["distance_mm"]})

    async def work(self) -> None:
        """Until cancelled."""
        while True:
            await asyncio.sleep(self._chance.uniform(0.0, 4.0 if self._chance.random() < 0.8 else 15.0))
            lens = self._chance.choice(LENSES)
            inputs: dict[str, Any] = {"lens": lens}
            procedure = "next_lens"
            if self._chance.random() < 0.15:
                procedure, inputs["shims_um"] = "shim_proof", [50, self._chance.choice((10, 20))]
                self._judge.asked[TECHNICIAN, ("lens", lens)] = {"shims_fitted_um": inputs["shims_um"]}
            elif self._chance.random() < 0.3:
                self._hands.seat(lens)
                inputs["m"] = self._hands.measure("tape")["m"]
            try:
                await self._client.command("take", beat=False)
                self._judge.run_asked_s = asyncio.get_running_loop().time()
                await self._hands.run(procedure, **inputs)
                self.runs[f"{procedure} done"] += 1
            except Refused as refused:
                self.runs[f"{procedure} refused: {refused.code}"] += 1
            except RunEnded as ended:
                self.runs[f"{procedure} failed"] += 1
                self.why = str(ended)
            finally:
                if procedure == "shim_proof":
                    self._judge.asked.pop((TECHNICIAN, ("lens", lens)), None)


async def edited(bench: Bench, count: int, seed: int) -> Outcome:
    """So many edits while lenses are checked. Everything is mended at the end; gives what came of it."""
    loop, outcome = asyncio.get_running_loop(), Outcome(seed)
    folder = bench.bench_file.parent
    shelf = Shelf(folder, loop.time)

    def readings(run: str) -> Sequence[Any]:
        with Reader.open("sqlite:///workshop.db", folder) as reader:
            return list(reader.readings(run))

    judge = Judge(shelf, loop.time, readings)
    topics = f"benchd/{bench.name}/"

    def seen(message: Any) -> None:
        if message.of_the_daemon and message.topic.startswith(topics):
            judge.told(message.topic.removeprefix(topics), json.loads(message.payload) if message.payload else None)

    async with bench.client(TECHNICIAN) as client, bench.client("editor") as other:
        bench.broker.seen = seen
        await client.command("take", beat=False)
        checker = Checker(bench, client, judge, seed)
        await checker.ready()
        hand = Hand(other, shelf, judge, seed, bench.disk)
        checking = asyncio.create_task(checker.work())
        editing = asyncio.create_task(hand.edits_of(count))
        try:
            done, _ = await asyncio.wait({checking, editing}, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        except Broken as broken:
            outcome.broken = str(broken)
        finally:
            for task in (checking, editing):
                task.cancel()
                with suppress(asyncio.CancelledError, Broken, BenchdError):
                    await task
            bench.broker.seen = lambda _: None
        outcome.broken = outcome.broken or judge.broken
        outcome.edits, outcome.refused, outcome.runs = hand.edits, hand.refused, checker.runs
        outcome.counts, outcome.virtual_s = judge.counts, loop.time()
    return outcome
