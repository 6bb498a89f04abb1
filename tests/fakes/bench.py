"""A real bench, with its record, its set-up and its runs, over fake devices, by the files of the shipped workshop.

    async with fake_bench(tmp_path, wall) as made:
        await made.ready()
        run = await made.run("flange_check", **inputs)
        await made.ended(run)

`made.axis` knows the state of the run in which it was asked for each motion: at the end none may have been asked for by
a run that was paused or asked a question.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, TypeVarTuple

from benchd.bench.analysis import Analysis
from benchd.bench.assembly import Assembly, close_all
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices, Subscription
from benchd.bench.reporter import Reporter
from benchd.commands.control import Roles
from benchd.detectors.detector import NoKeys
from benchd.devices import Ask, AxisSpec, Device
from benchd.devices.guarded import guarded
from benchd.files.loading import LoadedBench
from benchd.files.mqtt_section import UserRole
from benchd.procedures.library import Library
from benchd.procedures.runner import Runner
from benchd.records.store import Store
from benchd.testing.virtual_time import VirtualClock
from benchd.verbs.order import Command
from benchd.verbs.table import VERBS
from tests.fakes.devices import FakeCamera, FakeGauge, FakeLight, Person
from tests.fakes.parabola import parabola_installed
from tests.fakes.stage import FakeAxis, FakeScale

Args = TypeVarTuple("Args")
R = TypeVar("R")

SPEC = AxisSpec("um", 0.0, 30_000.0, 0.05, 4000.0, 1e6, 0.05)
"""Of a motor that needs hardly any ramp, as the fake one has none."""
STANDS = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "distance_mm": 5000.0, "ring": "infinity"}
BASE_UM, RING_UM, COLLAR_UM = 24_030.0, 18_003.0, 45_000.4
"""What the parts of the fake bench are long, near to what their files say."""
USER = "rail"
ROLES = ("carriage", "position", "target_light", "detector", "indicator")


class InProcess(Analysis):
    """Carries out in this process what else goes to the worker."""

    def warm(self) -> None:
        pass

    async def _run_once(self, work: Callable[[*Args], R], *args: *Args) -> R:
        return work(*args)


@dataclass
class FakeBench:
    """The bench, its runs, and hands on everything that they work with."""

    bench: Bench
    runner: Runner
    clock: VirtualClock
    axis: FakeAxis
    scale: FakeScale
    lamp: FakeLight
    gauge: FakeGauge
    camera: FakeCamera
    person: Person
    told: list[tuple[str, Mapping[str, Any]]] = field(default_factory=list)
    """Everything that was told, as (topic, document), in its order."""
    roles: Roles = field(default_factory=Roles)
    """As long as no users are stated everybody has every role."""
    error_um: float = 6.0
    """The lens is sharpest so much deeper than the files of what stands on the bench have it."""

    # What a person does

    async def ready(self) -> None:
        """Homed, with the lens and what belongs to it, at nominal."""
        await self.bench.home(["carriage"])
        await self.bench.setup.change(STANDS)
        await self.bench.nominal()

    async def run(self, name: str, **inputs: Any) -> str:
        return await self.runner.start(name, inputs, USER, "c-1")

    async def command(self, verb: str, args: Mapping[str, Any]) -> dict[str, Any]:
        """Asked for from outside, once it has passed the gates."""
        asked = VERBS[verb]
        order = Command(self.bench, USER, self.bench.carriage.stops, "c-1", self.runner, _Nobodys())
        return await asked.command(asked.args.model_validate(args), order)

    async def ended(self, run: str, within_s: float = 3600.0) -> str:
        """The state in which it ends."""
        async with asyncio.timeout(within_s):
            await self.bench.jobs.wait()
        return (await self.bench.store.run(run)).state

    async def until(self, holds: Callable[[], bool], within_s: float = 300.0) -> None:
        """Look again and again, each 2 ms, until it holds."""
        async with asyncio.timeout(within_s):
            while not holds():
                await self.clock.sleep(0.002)

    async def said(self, *states: str) -> None:
        """Wait until the run says that it is in one of these states."""
        await self.until(lambda: self.state in states)

    async def beyond(self, um: float) -> None:
        """Wait until the carriage is on its way, farther out than this."""
        await self.until(lambda: self.axis.moving and self.axis.carriage_um > um)

    def answer(self, value: Any, user: str = USER) -> None:
        """To the question that waits."""
        assert self.runner.prompts.open is not None
        self.runner.answer(self.runner.prompts.open["ask"], value, user)

    # What is seen

    @property
    def doc(self) -> Mapping[str, Any]:
        """What is published of the run."""
        return self.bench.notices.snapshot()["procedure"]

    @property
    def focus_um(self) -> float:
        """Where the carriage stands when the lens is sharpest."""
        chain = self.bench.setup.chain
        return (chain.carriage_um or 0.0) - chain.trim_um + self.error_um

    @property
    def state(self) -> str:
        return str(self.doc["state"])

    def events(self, code: str | None = None) -> list[Mapping[str, Any]]:
        return [doc for topic, doc in self.told if topic == "event" and code in (None, doc["code"])]

    def states(self, run: str) -> list[str]:
        """Those that were told of a run, each once in a row."""
        told = [str(doc["state"]) for topic, doc in self.told if topic == "procedure" and doc["run"] == run]
        return [state for index, state in enumerate(told) if index == 0 or told[index - 1] != state]

    @property
    def moves_um(self) -> list[float | None]:
        """Where the axis was sent, in order; None where it was homed."""
        return [asked.to_um for asked in self.axis.asked]


class _Nobodys:
    """Control of a bench that nobody asks for here."""

    holder: str | None = USER

    def take(self, user: str, *, force: bool = False) -> None: ...
    def release(self, user: str, *, to: str | None = None, force: bool = False) -> None: ...


def yes(ask: Ask) -> Any:
    """Yes to every question, to a choice its last, to a number 1."""
    return {"choice": ask.choices[-1:] and ask.choices[-1], "number": 1.0, "text": "seen", "mark": "sharp"}.get(
        ask.kind, True
    )


def surface_um(made: FakeBench) -> float:
    """How deep below the feet of the gauge's bridge its tip stands, as whoever was asked last has seated it."""
    seated = [ask.text for ask in made.person.asked if "Bridge with the indicator on" in ask.text]
    target_um = BASE_UM + made.axis.carriage_um
    if not seated or "setting ring," in seated[-1]:
        return COLLAR_UM
    return target_um + (RING_UM if "adapter's upper seat" in seated[-1] else 0.0)


@asynccontextmanager
async def fake_bench(
    folder: Path,
    loaded: LoadedBench,
    procedures: Library,
    *,
    encoder: bool = True,
    more: Mapping[str, Device] = {},
) -> AsyncIterator[FakeBench]:
    """A bench that is up, unhomed, with nothing on it; its record stands in `folder`. `more` are devices by role."""
    made: FakeBench

    def need(user: str, role: UserRole) -> None:
        made.roles.need(user, role)

    clock, notices = VirtualClock(), Notices()
    axis = FakeAxis("stage", clock, SPEC)
    scale, lamp, camera = FakeScale("scale", clock, axis), FakeLight("lamp", clock), FakeCamera("view", clock)
    gauge, person = FakeGauge("dial", clock, lambda: surface_um(made)), Person("operator", clock)
    gauge.zero_um = COLLAR_UM
    parts: list[Device] = [axis, lamp, gauge, camera, person, *([scale] if encoder else []), *more.values()]
    devices = {part.name: guarded(part, part.name, "fake") for part in parts}
    roles = {str(role): name for role, name in loaded.file.roles.items() if name in devices}
    roles |= {role: device.name for role, device in more.items()}
    assembly = Assembly({}, devices, roles, {"parabola": NoKeys()})
    async with AsyncExitStack() as stack:
        off, dark = (lambda: axis.carriage_um - made.focus_um), (lambda: lamp.now == 0.0)
        stack.enter_context(parabola_installed(off, dark))
        store = await opened_record(folder, clock)
        stack.push_async_callback(store.close)
        bench = Bench(loaded, assembly, store, notices, clock, InProcess())
        stack.push_async_callback(close_all, assembly)
        stack.push_async_callback(bench.close)
        await bench.setup.load()
        runner = Runner(bench, procedures, need)
        made = FakeBench(bench, runner, clock, axis, scale, lamp, gauge, camera, person)
        axis.state_of_run = lambda: made.state
        subscription = stack.enter_context(notices.subscribe())
        for work in (_hear(subscription, made.told), Reporter(bench, lambda: None, lambda _: "").run()):
            stack.push_async_callback(_end, asyncio.create_task(work))
        yield made
        await runner.close(1.0)
        still = [asked for asked in axis.asked if asked.state in ("paused", "asking")]
        assert not still, f"a run that is paused or asks moves nothing: {still}"
        assert bench.analysis.pid is None, "all in one process"


@cache
def _empty_record() -> list[bytes]:
    """An empty record's file, once it was made: making one takes ten times as long as a run."""
    return []


async def opened_record(folder: Path, clock: VirtualClock) -> Store:
    """An empty record in this folder, open."""
    url, made = "sqlite:///bench.db", _empty_record()
    if not made:
        await (await Store.open(url, folder, clock)).close()
        made.append((folder / "bench.db").read_bytes())
    (folder / "bench.db").write_bytes(made[0])
    return await Store.open(url, folder, clock)


async def _hear(subscription: Subscription, told: list[tuple[str, Mapping[str, Any]]]) -> None:
    async for notice in subscription:
        if notice.doc is not None:
            told.append((notice.topic, notice.doc))


async def _end(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait({task})


def library(folder: Path, procedures: Mapping[str, str]) -> Library:
    """Those that ship, and these, steps by name; read once for many benches, as it takes longer than most runs."""
    for name, steps in procedures.items():
        head = f"procedure: {name}\ntitle: {name}\nneeds: {{roles: [{', '.join(ROLES)}]}}\n"
        (folder / f"{name}.yaml").write_text(head + steps.strip() + "\n")
    return Library.load((folder,))
