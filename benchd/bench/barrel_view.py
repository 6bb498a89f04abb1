"""Pictures of the lens's barrel, kept with each run: what stood on the bench, and where its rings were.

They are taken beside the run, by the camera in the role `barrel_view`, at its begin, at each answer of a person, and at
its end. Nothing waits for them: a camera that hangs, or a full disk, costs the picture and is told.
"""

from __future__ import annotations

import asyncio
import hashlib
from dataclasses import dataclass

import structlog

from benchd.bench.assembly import Assembly
from benchd.bench.events import Events
from benchd.devices import Camera, Clock
from benchd.errors import BenchdError
from benchd.records.store import Store
from benchd.records.values import BARREL_VIEW

ROLE = "barrel_view"
MOST_BYTES = 8_000_000
"""Of a picture: the record is copied and kept for years, and a witness needs no more."""
MOST_A_RUN = 20
"""Pictures of a run: what asks on and on has shown its lens by then."""
ENDS_S = 1.0
LATE_S = 2.0
"""From here on a picture's delay is told with it: something else may have stood there by then."""
_SUFFIXES = {"image/png": "png", "image/jpeg": "jpg", "image/tiff": "tif"}

_log = structlog.get_logger("benchd.barrel")


@dataclass(frozen=True, slots=True)
class _Wanted:
    run: str
    moment: str
    number: int
    since_s: float


class BarrelView:
    """The witness's camera, if there is one: one picture at a time, and the last one that is wanted meanwhile."""

    def __init__(self, assembly: Assembly, store: Store, events: Events, clock: Clock) -> None:
        self._camera = assembly.in_role(ROLE, Camera)
        self._store = store
        self._events = events
        self._clock = clock
        self._next: _Wanted | None = None
        self._taking: asyncio.Task[None] | None = None
        self._counted: tuple[str, int] = ("", 0)
        self._closed = False

    def take(self, run: str, moment: str) -> None:
        """Have a picture taken for a run, at its `moment` in words ('the begin'); returns at once."""
        if self._camera is None or self._closed:
            return
        number = self._counted[1] + 1 if self._counted[0] == run else 1
        self._counted = (run, number)
        if number > MOST_A_RUN:
            return
        if self._next is not None:
            self._missed(self._next, "Its camera was still at work on the picture before.")
        self._next = _Wanted(run, moment, number, self._clock.monotonic())
        if self._taking is None or self._taking.done():
            self._taking = asyncio.create_task(self._take_all(self._camera), name="picture of the barrel")

    async def _take_all(self, camera: Camera) -> None:
        while self._next is not None:
            wanted, self._next = self._next, None
            try:
                await self._take(camera, wanted)
            except BenchdError as error:
                self._missed(wanted, error.text, error.advice)
            except Exception as error:  # noqa: BLE001 - whatever goes wrong here, the run goes on
                _log.exception("a picture of the barrel failed", run=wanted.run)
                self._missed(wanted, f"{type(error).__name__}.", "The log has the cause.")

    async def _take(self, camera: Camera, wanted: _Wanted) -> None:
        frame = await camera.grab()
        if len(frame.data) > MOST_BYTES:
            why = f"It has {len(frame.data) / 1e6:.1f} MB, and {MOST_BYTES / 1e6:g} are kept at the most."
            self._missed(wanted, why, "Set a smaller picture in the camera.")
            return
        sha = hashlib.sha256(frame.data).hexdigest()
        name = f"{wanted.run}-barrel-{wanted.number:02d}.{_SUFFIXES.get(frame.media_type, 'bin')}"
        await self._store.add_file(sha, name, frame.data)
        late_s = frame.t_mono - wanted.since_s
        late = f", taken {late_s:.0f} s after it" if late_s > LATE_S else ""
        data = {"of": wanted.run, "moment": wanted.moment + late, "file": sha, "name": name, "taken": frame.t_utc}
        self._events.tell(BARREL_VIEW, f"The barrel at {wanted.moment} of {wanted.run} is kept{late}.", data=data)

    def _missed(self, wanted: _Wanted, why: str, advice: str = "") -> None:
        text = f"There is no picture of the barrel at {wanted.moment} of {wanted.run}. {why}"
        data = {"of": wanted.run, "moment": wanted.moment, "file": None, "name": None, "taken": None}
        self._events.tell(BARREL_VIEW, text, severity="warning", advice=advice, data=data)

    async def close(self) -> None:
        """Take no more; one under way has a moment to come. Idempotent."""
        self._closed, self._next = True, None
        if self._taking is not None and not self._taking.done():
            await asyncio.wait({self._taking}, timeout=ENDS_S)
            self._taking.cancel()
            await asyncio.wait({self._taking}, timeout=ENDS_S)
