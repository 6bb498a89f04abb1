"""A bench with a laser on its DMX line, and rules of when that may shine, held at the bytes on the line.

Between what ends a hold and the frame that is dark lie at most the frame under way and the next one.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from benchd.bench.holds import LAPSES_S
from benchd.errors import BenchdError
from benchd_drivers.dmx_frame import frame_s
from tests.virtual.benches import PACE, VirtualBench
from tests.virtual.ends.serial_end import MemoryPort

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

SLOT = 10
FRAMES_S = 2 * (frame_s(512) + 0.003)
NET_S = 0.01
"""What broker and daemon take in virtual time, and more."""
STANDS = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "distance_mm": 5000, "ring": "infinity"}


def with_pointer(doc: Any) -> None:
    """The bench file with a laser in slot 10."""
    doc["devices"]["dot"] = {
        "driver": "dmx_light", "link": "light_line", "slots": [SLOT], "on_loss": "dark", "laser_class": "2"
    }  # fmt: skip
    doc["roles"]["pointer"] = "dot"


class Beam:
    """Looks at each frame, each picture's exposure and each state of a run; `wrong` is what broke a rule."""

    def __init__(self, bench: VirtualBench) -> None:
        self.bench = bench
        self.lit = False
        self.lit_s: list[float] = []
        """When it was lit, and when it went dark again."""
        self.refreshed_s = self.stopped_s = self.exposed = -1e9
        self.exposures = 0
        self.wrong: list[str] = []
        cast(MemoryPort, bench.rig.cables["dmx"].port).wrote = self._frame
        camera = cast(Any, bench.machine.camera)
        look = camera.look

        def looked() -> Any:
            self.exposures += 1
            self._say(self.lit, "a picture is exposed, and it shines")
            return look()

        camera.look = looked

    def _say(self, wrong: bool, what: str) -> None:
        if wrong:
            self.wrong.append(f"{self.now():.3f} s: {what}")

    def now(self) -> float:
        return self.bench.loop.time()

    def _frame(self, data: bytes) -> None:
        shines = data[SLOT] > 0
        if shines != self.lit:
            self.lit_s.append(self.now())
        self.lit = shines
        since_s = self.now() - self.refreshed_s
        self._say(
            shines and since_s > LAPSES_S + FRAMES_S + NET_S, f"it shines, {since_s:.3f} s after the last refresh"
        )
        stopped_s = self.now() - self.stopped_s
        late = stopped_s > FRAMES_S + NET_S and self.refreshed_s <= self.stopped_s
        self._say(shines and late, f"it shines, {stopped_s:.3f} s after a stop, and nobody has held it on since")
        daemon = self.bench.daemon
        mqtt = None if daemon is None else daemon._mqtt
        if shines and mqtt is not None and (job := mqtt._bench.jobs.kind) is not None:
            self._say(self.now() - self.job_since_s(job) > FRAMES_S + NET_S, f"it shines while a {job} is under way")
        elif mqtt is not None and mqtt._bench.jobs.kind is None:
            self._job_s = None

    _job_s: float | None = None

    def job_since_s(self, job: str) -> float:
        """When that was seen first."""
        if self._job_s is None:
            self._job_s = self.now()
        return self._job_s

    def was_lit_s(self) -> float:
        """For how long in all; it has to be dark."""
        assert not self.lit
        return sum(self.lit_s[1::2]) - sum(self.lit_s[::2])


class Finger:
    """Somebody's finger on the key that holds it on; sends at 10 Hz while `held`, waiting for no answer."""

    def __init__(self, beam: Beam, client: BenchClient) -> None:
        self.beam, self.client = beam, client
        self.count = 0

    async def refresh(self, hold: str, **more: Any) -> dict[str, Any]:
        """One refresh, as it is answered. Raises as `BenchClient.command`."""
        self.count += 1
        args = {"light": "pointer", "level": 1.0, "hold": hold, "seq": self.count, **more}
        before_s, self.beam.refreshed_s = self.beam.refreshed_s, self.beam.now()
        try:
            return await self.client.command("light", **args)
        except BenchdError:
            self.beam.refreshed_s = before_s
            raise

    async def held(self, hold: str, keeps_s: float, **more: Any) -> str | None:
        """Refresh it all that time; the code of the refusal that ended it, None where it was let go."""
        ends_s = self.beam.now() + keeps_s
        while self.beam.now() < ends_s:
            try:
                await self.refresh(hold, **more)
            except BenchdError as refused:
                return refused.code
            await asyncio.sleep(0.1)
        return None

    async def typed(self, hold: str, beat: str) -> None:
        """A refresh with that beat, whatever becomes of it."""
        self.count += 1
        args = {"light": "pointer", "level": 1.0, "hold": hold, "seq": self.count}
        request = {"id": f"typed-{self.count}", "beat": beat, "args": args}
        topic = self.client.topics.command(self.client.user, "light")
        await self.client._publish(topic, json.dumps(request).encode())


@asynccontextmanager
async def beamed(folder: Path, files: dict[str, str] | None = None) -> AsyncIterator[tuple[VirtualBench, Beam]]:
    """The bench, homed by somebody who has left again; no rule was broken when it ends."""
    async with VirtualBench(folder, config="workshop-dmx", change=with_pointer, files=files or {}, pace=PACE) as bench:
        beam = Beam(bench)
        yield bench, beam
        assert beam.wrong == [], beam.wrong[:5]


@asynccontextmanager
async def finger(bench: VirtualBench, beam: Beam, user: str = "rail") -> AsyncIterator[Finger]:
    async with bench.client(user) as client:
        await client.command("take", beat=False, force=True)
        yield Finger(beam, client)
