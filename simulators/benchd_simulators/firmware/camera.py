"""The network camera: a URL that answers with a picture exposed after it was asked for, and one with a stream."""

from __future__ import annotations

import asyncio
import json
import math
import random
from collections import deque
from collections.abc import AsyncGenerator, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

from benchd_simulators.firmware.camera_stream import STREAM_KIND, STREAM_PATH, parts
from benchd_simulators.firmware.http import MOST_HEAD, Answer, BadRequest, talk
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.wire import FaultRefused
from benchd_simulators.world.camera import Instant

DEFAULT_PORT = 8780
EXPOSURE_MS = (1.0, 400.0)
EXPOSURE_STEP_MS = 0.1
GAIN = (1.0, 16.0)
COUNTED = ("late", "garbage", "error", "cut", "freeze", "no_time")
LASTING = ("stamps_late", "stamps_jitter", "stamps_drift", "drop")
"""Of a stream, until they are cleared: the stamps' constant error, its standard deviation (ms), its growth (parts in a
million), and the share of frames that never come."""
RATE_HZ = (1.0, 240.0)
BUFFER = 8
"""Frames that wait to be developed and sent; what is exposed beyond that is lost."""
BOUNDARY = "next-picture"


class NetworkCamera:
    """Serves /frame.png, /stream, /stream.mjpg and /settings on loopback. One frame is exposed at a time; who comes
    later waits his turn, and while there is a stream its exposures go on beside."""

    def __init__(self, machine: Machine, journal: Journal | None = None, *, pace: float = 1.0) -> None:
        self._machine = machine
        self._journal = journal or Journal(None)
        self._pace = pace
        self._exposure_ms = 20.0
        self._gain = 1.0
        self._sensor = asyncio.Lock()
        self._renderer = ThreadPoolExecutor(1, thread_name_prefix="render")
        self._server: asyncio.Server | None = None
        self._talks: set[asyncio.Task[None]] = set()
        self._faults: dict[str, int] = {}
        self._args: dict[str, Mapping[str, Any]] = {}
        self._lasting: dict[str, float] = {}
        self._chance = random.Random(0)
        self._last: tuple[bytes, str] | None = None
        self.port = 0

    def now_utc(self) -> datetime:
        """Its wall clock, which is this machine's."""
        return datetime.now(UTC)

    # ------------------------------------------------------------- life

    async def plug(self, port: int = 0) -> None:
        """Listen: on `port`, on the last one, or on a free one where it is taken. Idempotent."""
        if self._server is not None:
            return
        try:
            self._server = await asyncio.start_server(self._connected, "127.0.0.1", port or self.port, limit=MOST_HEAD)
        except OSError:
            self._server = await asyncio.start_server(self._connected, "127.0.0.1", 0, limit=MOST_HEAD)
        self.port = self._server.sockets[0].getsockname()[1]

    async def unplug(self) -> None:
        """Stop listening and hang up on everybody. Idempotent."""
        if self._server is None:
            return
        self._server.close()
        self._server = None
        talks = tuple(self._talks)
        for task in talks:
            task.cancel()
        if talks:
            await asyncio.wait(talks)

    async def close(self) -> None:
        await self.unplug()
        self._renderer.shutdown(wait=True, cancel_futures=True)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._talks.add(task)
        task.add_done_callback(self._talks.discard)
        await talk(reader, writer, self._noted)

    # ------------------------------------------------------------- requests

    async def _noted(self, path: str, query: dict[str, str]) -> Answer:
        self._journal.note("camera", "in", path.encode())
        answer = await self._handle(path, query)
        self._journal.note("camera", "out", path.encode())
        return answer

    async def _handle(self, path: str, query: dict[str, str]) -> Answer:
        if path == "/stream":
            return self._stream(query)
        if path not in ("/frame.png", STREAM_PATH, "/settings"):
            return Answer(b"There are /frame.png, /stream, /stream.mjpg and /settings.\n", status=404)
        unknown = set(query) - {"exposure_ms", "gain"}
        if unknown:
            raise BadRequest(f"Unknown: {', '.join(sorted(unknown))}; known are exposure_ms and gain.")
        exposure_ms, gain = self._exposure_ms, self._gain
        if "exposure_ms" in query:
            exposure_ms = really_set_exposure_ms(_number("exposure_ms", query["exposure_ms"]))
        if "gain" in query:
            gain = min(max(_number("gain", query["gain"]), GAIN[0]), GAIN[1])
        if path == STREAM_PATH:
            return Answer(b"", STREAM_KIND, endless=parts(self.picture))
        if path == "/settings":
            self._exposure_ms, self._gain = exposure_ms, gain
            return Answer(json.dumps({"exposure_ms": exposure_ms, "gain": gain}).encode(), "application/json")
        return await self._frame(exposure_ms, gain)

    async def _frame(self, exposure_ms: float, gain: float) -> Answer:
        if self._spend("error"):
            return Answer(b"The sensor does not answer.\n", status=int(self._args["error"].get("status", 503)))
        # Of this request, as it comes: one that nobody waits for any more may still be exposing.
        no_time, garbage, cut = (self._spend(what) for what in ("no_time", "garbage", "cut"))
        if self._spend("late"):
            await asyncio.sleep(float(self._args["late"].get("s", 1.0)))
        if not (self._last and self._spend("freeze")):
            async with self._sensor:
                self._last = await self._expose(exposure_ms, gain)
        picture, at = self._last
        headers = {"X-Frame-Time": at, "X-Exposure-Ms": f"{exposure_ms:.1f}", "X-Gain": f"{gain:g}"}
        if no_time:
            del headers["X-Frame-Time"]
        if garbage:
            picture = picture[:64] + bytes(byte ^ 0x5A for byte in picture[64:512])
        return Answer(picture, "image/png", headers=headers, cut=cut)

    async def picture(self) -> Answer:
        """The next picture at the settings in force, with the faults of the moment."""
        return await self._frame(self._exposure_ms, self._gain)

    # ------------------------------------------------------------- stream

    def _stream(self, query: Mapping[str, str]) -> Answer:
        """multipart/x-mixed-replace: each part one picture with the middle of its exposure, as many a second as asked
        for, or as its exposures allow."""
        unknown = set(query) - {"rate_hz"}
        if unknown:
            raise BadRequest(f"Unknown: {', '.join(sorted(unknown))}; known is rate_hz.")
        rate_hz = min(max(_number("rate_hz", query.get("rate_hz", "60")), RATE_HZ[0]), RATE_HZ[1])
        return Answer(b"", f"multipart/x-mixed-replace; boundary={BOUNDARY}", endless=self._parts(rate_hz))

    async def _parts(self, rate_hz: float) -> AsyncGenerator[bytes, None]:
        """Exposes in one task, by the clock; develops and gives away in this one, so that a slow taker loses frames
        and shifts none."""
        taken: deque[tuple[Instant, datetime, float]] = deque()
        came = asyncio.Event()
        exposing = asyncio.create_task(self._expose_on(rate_hz, taken, came), name="sensor")
        loop = asyncio.get_running_loop()
        try:
            while True:
                while not taken:
                    came.clear()
                    await came.wait()
                instant, at, exposure_ms = taken.popleft()
                develop = self._machine.camera.develop
                picture = await loop.run_in_executor(self._renderer, develop, instant, exposure_ms, self._gain)
                if self._chance.random() >= self._lasting.get("drop", 0.0):
                    yield self._part(picture, at, exposure_ms)
        finally:
            exposing.cancel()
            await asyncio.wait({exposing})
            exposing.cancelled() or exposing.exception()

    async def _expose_on(
        self, rate_hz: float, taken: deque[tuple[Instant, datetime, float]], came: asyncio.Event
    ) -> None:
        loop = asyncio.get_running_loop()
        begins = loop.time()
        while True:
            exposure_ms = self._exposure_ms
            lasts_s = exposure_ms / 1000 / self._pace
            await asyncio.sleep(max(0.0, begins + lasts_s / 2 - loop.time()))
            instant, at = self._machine.camera.look(), self.now_utc()  # from the middle that came about
            await asyncio.sleep(max(0.0, begins + lasts_s - loop.time()))
            if len(taken) < BUFFER:
                taken.append((instant, at, exposure_ms))
                came.set()
            begins = max(begins + max(1.0 / rate_hz / self._pace, lasts_s), loop.time() - lasts_s)

    def _part(self, picture: bytes, at: datetime, exposure_ms: float) -> bytes:
        fault = self._lasting.get
        off_s = (fault("stamps_late", 0.0) + self._chance.gauss(0.0, fault("stamps_jitter", 0.0))) / 1000
        off_s += fault("stamps_drift", 0.0) * 1e-6 * asyncio.get_running_loop().time()
        told = (at + timedelta(seconds=off_s)).isoformat(timespec="microseconds").replace("+00:00", "Z")
        lines = [
            f"--{BOUNDARY}",
            "Content-Type: image/png",
            f"Content-Length: {len(picture)}",
            f"X-Frame-Time: {told}",
            f"X-Exposure-Ms: {exposure_ms:.1f}",
        ]
        return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1") + picture + b"\r\n"

    async def _expose(self, exposure_ms: float, gain: float) -> tuple[bytes, str]:
        """The picture of the world at mid-exposure and that moment's UTC; takes no less than the exposure."""
        loop = asyncio.get_running_loop()
        half_s = exposure_ms / 2000 / self._pace
        await asyncio.sleep(half_s)
        instant = self._machine.camera.look()
        ends = loop.time() + half_s  # from the middle that came about, should the sleep have been long
        at = self.now_utc().isoformat(timespec="microseconds").replace("+00:00", "Z")
        picture = await loop.run_in_executor(self._renderer, self._machine.camera.develop, instant, exposure_ms, gain)
        await asyncio.sleep(max(0.0, ends - loop.time()))
        return picture, at

    # ------------------------------------------------------------- faults

    def fault(self, what: str, args: Mapping[str, Any]) -> None:
        """late n s, garbage n, error n status, cut n, freeze n, no_time n, clear, and, of a stream, stamps_late ms,
        stamps_jitter ms, stamps_drift ppm, drop share. Raises FaultRefused."""
        if what == "clear":
            self._faults.clear()
            self._lasting.clear()
        elif what in LASTING:
            self._lasting[what] = next((float(value) for value in args.values()), 0.0)
        elif what in COUNTED:
            self._faults[what] = int(args.get("n", 1))
            self._args[what] = dict(args)
        else:
            raise FaultRefused(
                f"The camera has no fault {what!r}; it has unplug, plug, clear, {', '.join((*COUNTED, *LASTING))}."
            )

    def _spend(self, what: str) -> bool:
        left = self._faults.get(what, 0)
        if left > 1:
            self._faults[what] = left - 1
        elif left == 1:
            del self._faults[what]
        return left > 0


def really_set_exposure_ms(asked_ms: float) -> float:
    """The exposure the sensor can do: 1 to 400 ms in steps of 0.1 ms."""
    clamped = min(max(asked_ms, EXPOSURE_MS[0]), EXPOSURE_MS[1])
    return round(round(clamped / EXPOSURE_STEP_MS) * EXPOSURE_STEP_MS, 1)


def _number(name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadRequest(f"{name}={text!r} is no number.")
    return value
