"""Benches in virtual time for tests of what a bench does, with the words of `Stack`: no process, no port, no waiting.

    async with VirtualBench(folder, record=records["workshop"]) as bench, person(bench) as (client, technician):

`conftest.py` has them run on a loop in virtual time. As nobody is in a hurry there, the hardware is at its true pace.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from benchd.client.bench_client import BenchClient
from benchd_simulators.firmware.serve import act
from stack import StackFailed
from technician import Technician
from tests.virtual.ends import installed
from tests.virtual.lab import Lab
from tests.virtual.same_each_time import same_each_time

SEED = 1
"""The bench of all tests but those of truth; the first there is, not chosen by what it draws."""
PACE = 5.0
"""Of benches that are asked for findings, whose times are nobody's concern."""
_NUMBERS = itertools.count(1)


def quiet(_: str) -> None:
    """What the technician says goes nowhere."""


class VirtualBench(Lab):
    """Hardware and, with `daemon`, a daemon that is up. `files` are laid beside the bench file, `record` is a database.

    `folder` must be empty. Several may stand beside each other. At a higher `pace` hardware and settling are as much
    quicker: less of virtual time is to be reckoned through where a test asks for findings and not for times.
    """

    def __init__(
        self,
        folder: Path,
        *,
        world: str = "workshop",
        config: str = "workshop",
        seed: int = SEED,
        pace: float = 1.0,
        change: Callable[[Any], None] = lambda _: None,
        record: Path | None = None,
        files: Mapping[str, str] = {},
        daemon: bool = True,
        curves: bool = False,
    ) -> None:
        super().__init__(
            folder,
            world=world,
            config=config,
            seed=seed,
            curves=curves,
            change=lambda doc: self._changed(doc, change),
        )
        self.pace = pace
        self.broker_at = f"127.0.0.1:{next(_NUMBERS)}"
        self._record, self._files, self._with_daemon = record, files, daemon
        self._entered = contextlib.AsyncExitStack()

    async def __aenter__(self) -> VirtualBench:
        async with contextlib.AsyncExitStack() as entered:
            entered.enter_context(installed())
            entered.enter_context(same_each_time(self.seed))
            await super().__aenter__()
            entered.push_async_exit(super().__aexit__)
            beside = self.bench_file.parent
            for name, text in self._files.items():
                (beside / name).parent.mkdir(exist_ok=True)
                (beside / name).write_text(text, encoding="utf-8")
            if self._record is not None:
                (beside / self._record.name).write_bytes(self._record.read_bytes())
            self.name = str(YAML(typ="safe").load(self.bench_file)["bench"])
            if self._with_daemon:
                await self.start_daemon()
            self._entered = entered.pop_all()
        return self

    def _changed(self, doc: Any, change: Callable[[Any], None]) -> None:
        """What a person would edit, and motion and settling as quick as the hardware."""
        for device in doc["devices"].values():
            if device["driver"] == "gcode_axis":
                device["top_speed_um_s"] *= self.pace
                device["acceleration_um_s2"] *= self.pace**2
        doc["motion"]["settle_ms"] /= self.pace
        change(doc)

    async def __aexit__(self, *_: object) -> None:
        await self._entered.aclose()
        assert self.fell == [], self.fell

    @contextlib.asynccontextmanager
    async def client(self, user: str = "bench-hand") -> AsyncIterator[BenchClient]:
        """A client of this bench."""
        async with BenchClient(f"memory://{self.broker_at}", bench=self.name, user=user) as client:
            yield client

    def ask_world(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """As over the socket of the hand, which knows faults and the truth as well; what takes no time, at once."""
        work = act(self.machine, self.rig, dict(message))
        try:
            work.send(None)
        except StopIteration as done:
            answer: dict[str, Any] = done.value
        else:
            work.close()
            raise StackFailed(f"{message} takes time: await `fault`.")
        if not answer.get("ok"):
            raise StackFailed(f"the hand could not {message}: {answer.get('error')}")
        return answer

    def truth(self) -> dict[str, Any]:
        """What the world knows and nobody else does."""
        found: dict[str, Any] = self.ask_world({"do": "truth"})["truth"]
        return found

    def place_um(self) -> float:
        """Where the carriage truly stands."""
        return self.machine.carriage_um

    async def rests(self, for_s: float, *, ringing_um: float = 0.1) -> float:
        """The place at which the carriage stays all this time, but for this ringing, looked at every 10 ms."""
        seen = [self.place_um()]
        for _ in range(round(for_s / 0.01)):
            await asyncio.sleep(0.01)
            seen.append(self.place_um())
        assert max(seen) - min(seen) <= ringing_um, (min(seen), max(seen))
        return seen[-1]


@contextlib.asynccontextmanager
async def person(bench: VirtualBench) -> AsyncIterator[tuple[BenchClient, Technician]]:
    """A client that holds control, and the technician who works with it."""
    async with bench.client("technician") as client:
        await client.command("take", beat=False)
        yield client, Technician(bench, client, quiet)
