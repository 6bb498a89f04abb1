"""A detector's stream beside a motion: how often captures come, which of them are kept, and what they measure.

A capture comes some time after its exposure. Those wanted are measured one after the other while further ones come; the
picture itself is let go then.
"""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import AsyncGenerator, Callable
from contextlib import aclosing
from dataclasses import dataclass, replace
from statistics import median
from types import TracebackType
from typing import cast

from benchd.detectors.detector import Detector
from benchd.detectors.values import Capture, Measured, Unusable
from benchd.devices import Clock
from benchd.errors import BenchdError, Refused

RATE_OF = 12
"""Captures at standstill that the rate is taken from."""
LOOK = "Check the device and its cable."
BACKLOG = 300
"""Captures that may wait to be measured: at more the machine cannot keep up, and would run out of memory."""


@dataclass(frozen=True, slots=True)
class Streamed:
    """A capture of a stream without its data, and what it measured."""

    capture: Capture
    measured: Measured | Unusable


@dataclass(frozen=True, slots=True)
class Pace:
    """How often captures come (1/s), and how long each gathers light (s) at the most: for longer than from one to the
    next where an amplifier smears it; as long as that where it is not known. `surely_s` is how long at the least."""

    rate_hz: float
    exposed_s: float
    surely_s: float = 0.0


class Stream:
    """`async with Stream(detector, clock) as stream`: captures come from then on; none is kept before `begin`."""

    def __init__(self, detector: Detector, clock: Clock) -> None:
        self._detector = detector
        self._clock = clock
        self._first: list[Capture] = []
        self._from_s = math.inf
        self._waiting: deque[Capture] = deque()
        self._taken: list[Streamed] = []
        self._last_s = -math.inf
        self._came, self._news = asyncio.Event(), asyncio.Event()  # for the one who measures, and for the one who asks
        self._tasks: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Stream:
        work = {"stream": self._collect(), "measure": self._measure()}
        self._tasks = [asyncio.create_task(one, name=name) for name, one in work.items()]
        return self

    async def __aexit__(self, kind: type[BaseException] | None, _: object, __: TracebackType | None) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.wait(self._tasks)
        for task in self._tasks:
            task.cancelled() or task.exception()  # retrieved; while it counted it was raised by `_next`

    async def _collect(self) -> None:
        captures = cast("AsyncGenerator[Capture, None]", self._detector.stream())
        async with aclosing(captures):
            async for capture in captures:
                self._last_s = capture.t_mono
                if len(self._first) < RATE_OF:
                    self._first.append(capture)
                if capture.t_mono >= self._from_s:
                    self._waiting.append(capture)
                    if len(self._waiting) > BACKLOG:
                        raise BenchdError(
                            "device_fault",
                            f"{BACKLOG} captures of the stream wait to be measured: this machine cannot keep up.",
                            advice="Stream smaller pictures or fewer a second, or take a stepped sweep.",
                        )
                self._came.set()
                self._news.set()
        raise BenchdError("device_fault", "The detector's stream ended by itself.", advice=LOOK)

    async def _measure(self) -> None:
        while True:
            while not self._waiting:
                self._came.clear()
                await self._came.wait()
            capture = self._waiting[0]
            measured = await self._detector.measure(capture)
            if self._waiting and self._waiting[0] is capture:  # else it was thrown away meanwhile
                self._waiting.popleft()
                self._taken.append(Streamed(replace(capture, data=None), measured))
            self._news.set()

    async def pace(self, within_s: float) -> Pace:
        """How the captures come, from the first ones: ask while nothing moves. Raises BenchdError."""
        try:
            await self._until(lambda: len(self._first) == RATE_OF, within_s)
        except BenchdError as late:
            if late.code != "timeout" or not self._first:
                raise
            text = f"Readings come too slowly for a continuous sweep: {len(self._first)} in {within_s:g} s."
            raise Refused("bad_request", text, advice="Leave the mode away, or have them come faster.") from late
        apart = median(
            after.t_mono - before.t_mono for before, after in zip(self._first, self._first[1:], strict=False)
        )
        exposed_s = max(capture.exposed_s for capture in self._first)
        return Pace(1.0 / apart, exposed_s or apart, min(capture.surely_s for capture in self._first))

    def begin(self, from_s: float) -> None:
        """Keep what is stamped from then on (monotonic); what was kept before is thrown away."""
        self._waiting.clear()
        self._taken.clear()
        self._from_s = from_s

    async def end(self, until_s: float, within_s: float) -> list[Streamed]:
        """What was kept, once a capture from after `until_s` has come and all before it are measured."""
        await self._until(lambda: self._last_s > until_s, within_s)
        self._from_s = math.inf
        await self._until(lambda: not self._waiting, None)
        taken, self._taken = self._taken, []
        return taken

    async def _until(self, done: Callable[[], bool], within_s: float | None) -> None:
        due_s = math.inf if within_s is None else self._clock.monotonic() + within_s
        while not done():
            for task in self._tasks:
                if task.done():
                    task.result()
            left_s = due_s - self._clock.monotonic()
            if left_s <= 0.0:
                text = f"The detector's stream brought no capture in {within_s:g} s."
                raise BenchdError("timeout", text, advice=LOOK)
            await self._told(None if math.isinf(left_s) else left_s)

    async def _told(self, at_most_s: float | None) -> None:
        """Until something has changed, or a task has ended."""
        self._news.clear()
        news = asyncio.create_task(self._news.wait(), name="news of a stream")
        try:
            await asyncio.wait({news, *self._tasks}, timeout=at_most_s, return_when=asyncio.FIRST_COMPLETED)
        finally:
            news.cancel()
