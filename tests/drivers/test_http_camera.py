"""The network camera against the simulated one and against a small server of bytes."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Callable
from contextlib import aclosing, asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, cast

import pytest
from pydantic import ValidationError

from benchd.devices import DeviceError, Frame, Implausible, LinkError, LinkGarbled, LinkTimeout
from benchd.testing.lively import lively_loop
from benchd_drivers.http_camera import HttpCamera, HttpCameraConfig

if TYPE_CHECKING:
    from tests.drivers.conftest import SimulatedBench

PNG = b"\x89PNG\r\n\x1a\n" + bytes(200)
Answering = Callable[[int, asyncio.StreamWriter], Awaitable[None]]


def head(length: int, *more: str, status: str = "200 OK") -> bytes:
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {length}", *more]
    return "\r\n".join(lines).encode() + b"\r\n\r\n"


@asynccontextmanager
async def camera_on(answer: Answering, **config: Any) -> AsyncIterator[HttpCamera]:
    """A server whose `answer(n, writer)` writes the n-th answer."""
    asked = 0
    serving: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal asked
        task = asyncio.current_task()
        assert task is not None
        serving.add(task)
        try:
            while await reader.readuntil(b"\r\n\r\n"):
                asked += 1
                await answer(asked, writer)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    camera = HttpCamera.create("view", HttpCameraConfig(url=f"http://127.0.0.1:{port}/frame.png", **config), None)
    try:
        yield camera
    finally:
        await camera.close()
        server.close()
        await server.wait_closed()
        if serving:
            await asyncio.wait(serving, timeout=5)  # each ends as its client has gone


async def plain(n: int, writer: asyncio.StreamWriter) -> None:
    writer.write(head(len(PNG)) + PNG)


async def test_picture_without_a_clock_is_timed_by_request_and_arrival() -> None:
    async with camera_on(plain) as camera:
        await camera.open()
        began = time.monotonic()
        frame = await camera.grab()
        assert began <= frame.t_mono <= time.monotonic()
        assert not frame.hardware_time
        assert frame.data == PNG


async def test_connection_is_kept_and_a_closed_idle_one_is_opened_anew() -> None:
    writers = []

    async def answer(n: int, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        writer.write(head(len(PNG)) + PNG)

    async with camera_on(answer) as camera:
        await camera.open()
        await camera.grab()
        assert writers[0] is writers[1]
        writers[0].close()
        await asyncio.sleep(0.02)
        await camera.grab()
        assert writers[2] is not writers[0]


async def test_dribbled_picture_ends_at_the_one_deadline() -> None:
    async def dribble(n: int, writer: asyncio.StreamWriter) -> None:
        if n == 1:
            return await plain(n, writer)
        writer.write(head(len(PNG)))
        for byte in PNG:
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0.02)
        return None

    async with camera_on(dribble, timeout_s=0.4) as camera, lively_loop():
        await camera.open()
        with pytest.raises(LinkTimeout):  # each byte came in time: with a deadline for each the picture would be whole
            await camera.grab()


async def test_dribbled_header_ends_at_the_one_deadline() -> None:
    async def dribble(n: int, writer: asyncio.StreamWriter) -> None:
        for byte in head(len(PNG)):
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0.05)

    async with camera_on(dribble, timeout_s=0.4) as camera, lively_loop():
        with pytest.raises(LinkTimeout):
            await camera.open()


async def test_answer_to_a_cancelled_question_is_never_the_next() -> None:
    asked, given_up = asyncio.Event(), asyncio.Event()

    async def numbered(n: int, writer: asyncio.StreamWriter) -> None:
        body = PNG + b"%d" % n
        if n == 2:
            asked.set()
            await given_up.wait()
        writer.write(head(len(body)) + body)

    async with camera_on(numbered) as camera:
        await camera.open()
        question = asyncio.create_task(camera.grab())
        await asked.wait()
        question.cancel()
        with pytest.raises(asyncio.CancelledError):
            await question
        given_up.set()
        assert (await camera.grab()).data.endswith(b"3")


@pytest.mark.parametrize(
    ("raw", "error", "says"),
    [
        (head(5) + b"hello", LinkGarbled, "no picture"),
        (head(0, status="404 Not Found"), DeviceError, "status 404"),
        (b"SSH-2.0-x\r\n\r\n", LinkError, "does not speak HTTP"),
    ],
)
async def test_what_is_no_picture_is_said(raw: bytes, error: type[DeviceError], says: str) -> None:
    async def answer(n: int, writer: asyncio.StreamWriter) -> None:
        writer.write(raw)
        writer.close()

    async with camera_on(answer) as camera:
        with pytest.raises(error, match=says):
            await camera.open()


async def test_stored_pictures_are_passed_over_and_frozen_ones_refused() -> None:
    start = datetime.now(UTC)

    async def older_first(n: int, writer: asyncio.StreamWriter) -> None:
        at = start if n in (1, 2, 3) or n > 5 else datetime.now(UTC)
        writer.write(head(len(PNG), f"X-Frame-Time: {at.isoformat()}") + PNG)

    async with camera_on(older_first, time_header="X-Frame-Time") as camera:
        await camera.open()
        await asyncio.sleep(0.1)
        frame = await camera.grab()
        assert frame.hardware_time
        await camera.grab()
        with pytest.raises(Implausible, match="older than the request"):
            await camera.grab()


@pytest.mark.parametrize(
    "stamp",
    ["20300412T232050Z", "2030-W15-5T23:20:50Z", "2030-04-12T23:20:50,5Z", "2030-04-12T23:20Z", "2030-04-12T23:20:50"],
)
async def test_a_time_that_rfc_3339_does_not_know_is_no_time(stamp: str) -> None:
    """The wider reading of ISO 8601 took them, the last by the clock of the place (RFC 3339, 5.6 and 4.4)."""

    async def answer(n: int, writer: asyncio.StreamWriter) -> None:
        writer.write(head(len(PNG), f"X-Frame-Time: {stamp}") + PNG)

    async with camera_on(answer, time_header="X-Frame-Time") as camera:
        await camera.open()
        with pytest.raises(Implausible, match="is no time"):
            await camera.grab()


async def test_a_leap_second_is_a_time() -> None:
    """RFC 3339, 5.8: 1990-12-31T23:59:60Z is valid. It is long ago, which is what is wrong with it here."""

    async def answer(n: int, writer: asyncio.StreamWriter) -> None:
        writer.write(head(len(PNG), "X-Frame-Time: 1990-12-31T23:59:60Z") + PNG)

    async with camera_on(answer, time_header="X-Frame-Time") as camera:
        await camera.open()
        with pytest.raises(Implausible, match="older than the request"):
            await camera.grab()


async def test_a_picture_from_the_future_is_refused() -> None:
    async def answer(n: int, writer: asyncio.StreamWriter) -> None:
        at = datetime.now(UTC) + timedelta(seconds=30)
        writer.write(head(len(PNG), f"X-Frame-Time: {at.isoformat()}") + PNG)

    async with camera_on(answer, time_header="X-Frame-Time") as camera:
        await camera.open()
        with pytest.raises(Implausible, match="from the future"):
            await camera.grab()
        assert (await camera.health()).state == "fault"


async def test_a_redirect_is_not_followed() -> None:
    """What it leads to is not what the bench file names: the answer is told, and nothing else is asked."""
    asked = 0

    async def elsewhere(n: int, writer: asyncio.StreamWriter) -> None:
        nonlocal asked
        asked = n
        writer.write(head(len(PNG), "Location: /other.png", status="302 Found") + PNG)

    async with camera_on(elsewhere) as camera:
        with pytest.raises(DeviceError, match="status 302"):
            await camera.open()
    assert asked == 1


async def test_clock_of_its_own_shows_a_frozen_picture_only() -> None:
    async def one_instant(n: int, writer: asyncio.StreamWriter) -> None:
        writer.write(head(len(PNG), f"X-Frame-Time: {1.5e9 + min(n, 3)}") + PNG)

    async with camera_on(one_instant, time_header="X-Frame-Time", clock="own") as camera:
        await camera.open()
        assert not (await camera.grab()).hardware_time
        await camera.grab()
        with pytest.raises(Implausible, match="frozen"):
            await camera.grab()


async def test_refused_connection_is_said() -> None:
    camera = HttpCamera.create("view", HttpCameraConfig(url="http://127.0.0.1:1/frame.png"), None)
    with pytest.raises(LinkError, match="cannot be read"):
        await camera.open()
    assert (await camera.health()).state == "fault"


def test_config_says_what_is_wrong() -> None:
    with pytest.raises(ValidationError, match="nothing else in braces"):
        HttpCameraConfig(url="http://a/b", settings_url="http://a/s?x={shutter}")
    with pytest.raises(ValidationError, match="same host"):
        HttpCameraConfig(url="http://a/b", settings_url="http://c/s")
    with pytest.raises(ValidationError, match="exposure_range_ms"):
        HttpCameraConfig(url="http://a/b", exposure_range_ms=(10, 1))


@asynccontextmanager
async def simulated(bench: SimulatedBench) -> AsyncIterator[HttpCamera]:
    ports = bench.ports
    camera = HttpCamera.create(
        "view",
        HttpCameraConfig(
            url=ports["camera"],
            settings_url=ports["camera_settings"] + "?exposure_ms={exposure_ms}&gain={gain}",
            time_header="X-Frame-Time",
            timeout_s=2.0,
        ),
        None,
    )
    await camera.open()
    await camera.configure(10.0, 1.0)
    try:
        yield camera
    finally:
        await camera.close()


@pytest.mark.stack
@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (("late", {"n": 1, "s": 4.0}), LinkTimeout),
        (("error", {"n": 1}), DeviceError),
        (("cut", {"n": 1}), LinkError),
        (("freeze", {"n": 9}), Implausible),
        (("no_time", {"n": 1}), Implausible),
    ],
)
async def test_faults_of_the_simulated_camera(
    bench: SimulatedBench, fault: tuple[str, dict[str, Any]], error: type[DeviceError]
) -> None:
    async with simulated(bench) as camera:
        await camera.grab()
        await bench.fault("camera", fault[0], **fault[1])
        async with lively_loop():
            with pytest.raises(error):
                await camera.grab()
        assert (await camera.health()).state == "fault"
        await bench.fault("camera", "clear")
        await camera.grab()
        assert (await camera.health()).state == "ok"


@pytest.mark.stack
async def test_camera_gone_and_back(bench: SimulatedBench) -> None:
    async with simulated(bench) as camera:
        await bench.fault("camera", "unplug")
        with pytest.raises(LinkError):
            await camera.grab()
        await bench.fault("camera", "plug")
        await camera.grab()


PART = "--cut\r\nContent-Type: image/png\r\nContent-Length: {length}\r\n{stamp}\r\n"


def streamed(*stamps: str, picture: bytes = PNG) -> Answering:
    """A stream with these header lines, one a part."""

    async def answer(n: int, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Type: multipart/x-mixed-replace; boundary=cut\r\n\r\n")
        for stamp in stamps:
            fields = PART.format(length=len(picture), stamp=f"{stamp}\r\n" if stamp else "")
            writer.write(fields.encode() + picture + b"\r\n")

    return answer


@asynccontextmanager
async def streaming_on(answer: Answering, **config: Any) -> AsyncIterator[HttpCamera]:
    """A camera whose stream is answered like this."""
    async with camera_on(answer, time_header="X-Frame-Time", **config) as camera:
        url = camera._config.url.replace("frame.png", "stream")
        yield HttpCamera.create("view", camera._config.model_copy(update={"stream_url": url}), None)


@pytest.mark.parametrize("clock", ["own", "shared"])
async def test_a_stream_s_stamps_are_off_by_one_constant(clock: str) -> None:
    """Also by a clock that counts from when the camera was switched on."""
    zero = 1000.0 if clock == "own" else time.time() - 1.0
    lines = [f"X-Frame-Time: {zero + after:.6f}" for after in (0.0, 0.016, 0.033)]
    async with streaming_on(streamed(*lines), clock=clock) as camera:
        stream = camera.stream()
        frames = [await anext(stream) for _ in lines]
        with pytest.raises(LinkTimeout):  # no more come
            await anext(stream)
    assert all(frame.hardware_time and frame.data == PNG for frame in frames)
    first, *later = (frame.t_mono for frame in frames)
    assert [t - first for t in later] == pytest.approx([0.016, 0.033], abs=1e-5)
    assert first == pytest.approx(time.monotonic(), abs=10.0)


@pytest.mark.parametrize(
    ("answer", "error", "why"),
    [
        (streamed("X-Frame-Time: 5.0", "X-Frame-Time: 5.0"), Implausible, "goes back"),
        (streamed(""), Implausible, "no time"),
        (streamed("X-Frame-Time: 5.0", picture=b"<html>"), LinkGarbled, "no picture"),
        (plain, LinkGarbled, "no stream of pictures"),
    ],
)
async def test_what_is_no_stream_of_stamped_pictures(answer: Answering, error: type[DeviceError], why: str) -> None:
    async with streaming_on(answer, clock="own") as camera:
        with pytest.raises(error, match=why):
            async for _ in camera.stream():
                pass


@pytest.mark.stack
async def test_the_simulated_camera_streams_over_its_socket(bench: SimulatedBench) -> None:
    """Each picture has been exposed after it was asked for the stream, and before it came."""
    config = HttpCameraConfig(
        url=bench.ports["camera"], stream_url=bench.ports["camera_stream"] + "?rate_hz=20", time_header="X-Frame-Time"
    )
    camera = HttpCamera.create("view", config, None)
    asked = last = time.monotonic()
    async with aclosing(cast("AsyncGenerator[Frame, None]", camera.stream())) as frames:
        async for frame in frames:
            assert last < frame.t_mono <= time.monotonic()
            assert (frame.media_type, frame.hardware_time) == ("image/png", True)
            last = frame.t_mono
            if last > asked + 0.3:
                break
