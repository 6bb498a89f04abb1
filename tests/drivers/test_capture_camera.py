"""The camera by OpenCV: real files and streams that OpenCV really opens, and a video device's far end."""

from __future__ import annotations

import asyncio
import io
import random
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from pydantic import ValidationError

from benchd.devices import DeviceError, DeviceMismatch, Exposure, LinkError, LinkTimeout
from benchd.imaging.picture import read_picture
from benchd.testing.lively import lively_loop
from benchd_drivers import capture_source
from benchd_drivers.capture_camera import CaptureCamera
from benchd_drivers.capture_config import CaptureCameraConfig
from benchd_drivers.capture_pace import FEWEST, Pace
from benchd_drivers.capture_source import identity, node
from tests.drivers.stream_end import LEVELS, StreamEnd, jpeg, streaming
from tests.drivers.video_end import PERIOD_S, CaptureByMemory, VideoEnd


def grey(png: bytes) -> float:
    with Image.open(io.BytesIO(png)) as picture:
        return float(np.asarray(picture).mean())


@asynccontextmanager
async def opened(**config: Any) -> AsyncIterator[CaptureCamera]:
    camera = CaptureCamera.create("view", CaptureCameraConfig(**config), None)
    try:
        await camera.open()
        yield camera
    finally:
        await camera.close()


@asynccontextmanager
async def device(end: VideoEnd, **config: Any) -> AsyncIterator[CaptureByMemory]:
    config = {"lag_ms": 30, "timeout_s": 0.5, **config}
    camera = CaptureByMemory("view", CaptureCameraConfig(device="/dev/video7", **config))
    camera.end = end
    try:
        await camera.open()
        yield camera
    finally:
        await camera.close()


# ---- files, which OpenCV opens


async def test_a_video_file_is_shown_picture_by_picture_and_then_has_ended(tmp_path: Path) -> None:
    file = tmp_path / "seen.avi"
    writer = cv2.VideoWriter(str(file), cv2.VideoWriter.fourcc(*"MJPG"), 10, (64, 48))
    for level in (40, 120, 200):
        writer.write(np.full((48, 64, 3), level, np.uint8))
    writer.release()
    async with opened(file=str(file)) as camera:
        assert camera.spec.replays
        assert (await camera.health()).state == "degraded"
        seen = [grey((await camera.grab()).data) for _ in range(3)]
        assert seen == pytest.approx([40, 120, 200], abs=3)
        with pytest.raises(DeviceError, match="the file has ended"):
            await camera.grab()
        health = await camera.health()
        assert (health.state, health.code) == ("fault", "ended"), "to open it anew would begin it anew, unasked"


async def test_numbered_pictures_keep_their_16_bits(tmp_path: Path) -> None:
    for index, level in enumerate((1000, 33333)):
        cv2.imwrite(str(tmp_path / f"p_{index:03d}.png"), np.full((48, 64), level, np.uint16))
    async with opened(file=str(tmp_path / "p_000.png")) as camera:
        pictures = [read_picture((await camera.grab()).data) for _ in range(2)]
    assert [picture.full_scale for picture in pictures] == [65535, 65535]
    assert [int(picture.values[0, 0]) for picture in pictures] == [1000, 33333]


async def test_a_file_that_is_no_video_or_not_there_is_said(tmp_path: Path) -> None:
    (tmp_path / "text.avi").write_text("no video")
    for name, says in (("text.avi", "cannot be opened"), ("none.avi", "there is no file")):
        with pytest.raises(LinkError, match=says):
            async with opened(file=str(tmp_path / name)):
                pass


@pytest.mark.parametrize("colour", [True, False])
async def test_pictures_are_grey_but_where_colour_is_asked_for(tmp_path: Path, colour: bool) -> None:
    cv2.imwrite(str(tmp_path / "p_0.png"), np.full((48, 64, 3), (10, 20, 200), np.uint8))
    async with opened(file=str(tmp_path / "p_0.png"), colour=colour) as camera:
        with Image.open(io.BytesIO((await camera.grab()).data)) as picture:
            assert picture.mode == ("RGB" if colour else "L")
            assert not colour or picture.getpixel((0, 0)) == (200, 20, 10)


# ---- streams, which OpenCV opens


async def test_no_picture_of_a_stream_was_exposed_before_the_call() -> None:
    async with streaming(StreamEnd(late_s=0.15)) as end, opened(url=end.url, lag_ms=400, timeout_s=3) as camera:
        for _ in range(4):
            called_s = time.monotonic()
            frame = await camera.grab()
            now_s = time.monotonic()
            assert end.exposed_s(frame.data, now_s) >= called_s
            assert called_s <= frame.t_mono <= now_s
            await asyncio.sleep(0.05)
        assert set(camera.spec.by_itself) == {"exposure", "gain", "focus", "white_balance"}
        assert "white balance" in (await camera.health()).text


async def test_with_a_lag_that_is_stated_too_small_one_would_have_been() -> None:
    """So that the test above can fail."""
    async with streaming(StreamEnd(late_s=0.4)) as end, opened(url=end.url, lag_ms=0, timeout_s=3) as camera:
        await camera.grab()
        called_s = time.monotonic()
        frame = await camera.grab()
        assert end.exposed_s(frame.data, time.monotonic()) < called_s


async def test_a_burst_after_a_stall_is_passed_over() -> None:
    """What was held up on the way is older than its arrival says: the next in step is waited for."""
    async with streaming(StreamEnd()) as end, opened(url=end.url, lag_ms=200, timeout_s=3) as camera:
        await camera.grab()
        await asyncio.sleep(0.3)
        end.passing.clear()
        await asyncio.sleep(0.2)
        called_s = time.monotonic()
        grabbing = asyncio.create_task(camera.grab())
        await asyncio.sleep(0.3)
        end.passing.set()
        frame = await grabbing
        assert end.exposed_s(frame.data, time.monotonic()) >= called_s


async def test_a_stream_that_pauses_times_out_and_comes_back_by_itself() -> None:
    async with streaming(StreamEnd()) as end, opened(url=end.url, lag_ms=60, timeout_s=0.6) as camera:
        await camera.grab()
        end.passing.clear()
        async with lively_loop():
            with pytest.raises(LinkTimeout):
                await camera.grab()
        assert (await camera.health()).state == "fault"
        end.passing.set()
        await camera.grab()
        assert (await camera.health()).state == "degraded"


async def test_a_stream_that_ends_is_lost_and_is_begun_anew_by_who_asks() -> None:
    async with streaming(StreamEnd(most=12)) as end, opened(url=end.url, lag_ms=60, timeout_s=2) as camera:
        await asyncio.sleep(0.6)
        health = await camera.health()
        assert (health.state, health.code) == ("fault", "link")
        assert "have ended" in health.text
        await camera.grab()


async def test_a_stream_that_comes_back_in_another_format_is_another_camera() -> None:
    async with streaming(StreamEnd(most=12)) as end, opened(url=end.url, lag_ms=60, timeout_s=2) as camera:
        end.pictures = [jpeg(index, (96, 128)) for index in range(LEVELS)]
        await asyncio.sleep(0.6)
        with pytest.raises(DeviceMismatch, match="another format"):
            await camera.grab()


def test_without_opencv_the_bench_file_is_told_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture_source, "find_spec", lambda name: None)
    with pytest.raises(ValueError, match=r"pip install 'benchd\[capture\]'"):
        CaptureCamera.create("view", CaptureCameraConfig(device="/dev/video0", lag_ms=1), None)


async def test_an_address_that_does_not_answer_or_has_no_pictures_is_said() -> None:
    async def html(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: 5\r\n\r\nhello")
        writer.close()

    server = await asyncio.start_server(html, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    for address in (f"http://127.0.0.1:{port}/", "http://127.0.0.1:1/", "rtsp://127.0.0.1:1/live"):
        async with lively_loop():
            with pytest.raises(LinkError, match="cannot be opened"):
                async with opened(url=address, lag_ms=100, timeout_s=1):
                    pass
    server.close()
    await server.wait_closed()


async def test_a_login_is_read_from_a_file_of_its_own_and_shown_to_nobody(tmp_path: Path) -> None:
    secret = tmp_path / "camera.password"
    secret.write_text("p@ss/w:rd\n")
    secret.chmod(0o600)
    async with streaming(StreamEnd()) as end:
        end.login = "house:p@ss/w:rd"
        config = {"url": end.url, "lag_ms": 60, "timeout_s": 2, "user": "house", "password_file": str(secret)}
        async with opened(**config) as camera:
            await camera.grab()
        with pytest.raises(LinkError, match="cannot be opened") as caught:
            async with opened(url=end.url, lag_ms=60, timeout_s=2):
                pass
        assert "login" in caught.value.advice
        secret.write_text("another\n")
        with pytest.raises(LinkError, match="cannot be opened") as caught:
            async with opened(**config):
                pass
        assert "another" not in str(caught.value)
        for mode, text, says in ((0o644, "x", "read by others"), (0o600, "", "holds no password")):
            secret.write_text(text)
            secret.chmod(mode)
            with pytest.raises(LinkError, match=says):
                async with opened(**config):
                    pass
        secret.unlink()
        with pytest.raises(LinkError, match="no such file"):
            async with opened(**config):
                pass


async def test_what_was_locked_by_hand_is_told_as_it_was_stated() -> None:
    locked = ("exposure", "gain", "focus", "white_balance")
    async with (
        streaming(StreamEnd()) as end,
        opened(url=end.url, lag_ms=60, timeout_s=2, exposure_ms=20, locked_by_hand=locked) as camera,
    ):
        assert await camera.configure(5.0, 1.0) == Exposure(20.0, 1.0)
        assert (await camera.grab()).exposure == Exposure(20.0, 1.0)
        assert (await camera.health()).state == "ok"
        assert camera.spec.by_itself == ()
        assert camera.spec.exposure_range_ms == (20.0, 20.0)
    async with streaming(StreamEnd()) as end, opened(url=end.url, lag_ms=60, timeout_s=2) as camera:
        with pytest.raises(DeviceError, match="exposure cannot be set"):
            await camera.configure(5.0, 1.0)


# ---- a video device


async def test_automatics_are_switched_off_and_what_is_stated_is_set_and_read_back() -> None:
    async with device(VideoEnd(), focus=30, white_balance_K=5000, gain=2, frames_per_s=25, size=(32, 24)) as camera:
        assert camera.spec.by_itself == ()
        assert camera.spec.lockable
        assert (await camera.health()).state == "ok"
        controls = ("AUTOFOCUS", "FOCUS", "AUTO_WB", "WB_TEMPERATURE", "AUTO_EXPOSURE", "GAIN", "FPS", "FRAME_WIDTH")
        told = [camera.end.get(getattr(cv2, f"CAP_PROP_{name}")) for name in controls]
        assert told == [0, 30, 0, 5000, 1, 2, 25, 32]


@pytest.mark.parametrize(
    ("stuck", "by_itself"),
    [
        (cv2.CAP_PROP_AUTOFOCUS, ("focus",)),
        (cv2.CAP_PROP_AUTO_WB, ("white_balance",)),
        (cv2.CAP_PROP_AUTO_EXPOSURE, ("exposure", "gain")),
    ],
)
async def test_what_the_device_goes_on_doing_is_told(stuck: int, by_itself: tuple[str, ...]) -> None:
    async with device(VideoEnd(stuck=frozenset({stuck}))) as camera:
        assert camera.spec.by_itself == by_itself
        assert camera.spec.lockable == ("exposure" not in by_itself)
        health = await camera.health()
        assert (health.state, health.code) == ("degraded", "by_itself")
        assert by_itself[0].replace("_", " ") in health.text


@pytest.mark.parametrize(
    ("end", "config", "says"),
    [
        (VideoEnd(without=frozenset({cv2.CAP_PROP_FOCUS})), {"focus": 30}, "no control for focus"),
        (VideoEnd(stuck=frozenset({cv2.CAP_PROP_GAIN})), {"gain": 3}, "does not take gain 3: it stands at 16"),
        (VideoEnd(stuck=frozenset({cv2.CAP_PROP_FRAME_WIDTH})), {"size": (640, 48)}, "size 640 x 48: .* 64 x 48"),
        (VideoEnd(stuck=frozenset({cv2.CAP_PROP_FOURCC})), {"pixel_format": "GREY"}, "GREY: it stands at MJPG"),
        (VideoEnd(stuck=frozenset({cv2.CAP_PROP_FPS})), {"frames_per_s": 5}, "frames_per_s 5"),
    ],
)
async def test_what_the_device_does_not_take_is_refused(end: VideoEnd, config: dict[str, Any], says: str) -> None:
    with pytest.raises(DeviceError, match=says):
        async with device(end, **config):
            pass
    assert end.released == 1


async def test_the_exposure_in_force_is_told_and_pictures_of_the_one_before_are_passed_over() -> None:
    async with device(VideoEnd()) as camera:
        for exposure_ms in (20.04, 120.0, 900.0):
            really = await camera.configure(exposure_ms, 1.0)
            assert really.exposure_ms == pytest.approx(min(round(exposure_ms, 1), 500.0))
            frame = await camera.grab()
            assert frame.exposure == really
            assert grey(frame.data) == int(min(really.exposure_ms, 255.0))


async def test_a_device_that_takes_its_exposure_later_than_it_is_said_shows_the_one_before() -> None:
    """So that the test above can fail."""
    end = VideoEnd()
    end.late = 30
    async with device(end) as camera:
        await camera.configure(120.0, 1.0)
        assert grey((await camera.grab()).data) != 120


async def test_a_call_that_hangs_costs_the_device_and_nothing_else() -> None:
    end = VideoEnd()
    async with device(end) as camera, lively_loop():
        await camera.grab()
        await end.hang()
        with pytest.raises(LinkTimeout):
            await camera.grab()
        assert (await camera.health()).state == "fault"
        began = time.monotonic()
        await camera.close()
        assert time.monotonic() - began < 2.0
        with pytest.raises(LinkError, match="has not come back yet"):
            await camera.open()
        assert end.released == 0, "to release it under a call that runs would crash"
        end.hanging.clear()
        await camera.open()
        assert end.released == 1
        await camera.grab()


async def test_an_unplugged_device_is_lost_without_being_asked() -> None:
    end = VideoEnd()
    async with device(end) as camera:
        end.unplugged.set()
        await asyncio.sleep(5 * PERIOD_S)
        health = await camera.health()
        assert (health.state, health.code) == ("fault", "link")
        with pytest.raises(LinkError):
            await camera.grab()


def test_a_device_is_found_again_by_its_name(tmp_path: Path) -> None:
    by_id, tree, dev = tmp_path / "by-id", tmp_path / "tree", tmp_path / "dev"
    for number, name in enumerate(("usb-A_7-video-index0", "usb-A_7-video-index1", "usb-B_8-video-index0")):
        for folder in (by_id, dev, tree / f"video{number}"):
            folder.mkdir(parents=True, exist_ok=True)
        (dev / f"video{number}").touch()
        (by_id / name).symlink_to(dev / f"video{number}")
        (tree / f"video{number}" / "name").write_text("House Camera\n")
    config = CaptureCameraConfig(by_id="B_8", lag_ms=1)
    path = node(config, "view", by_id)
    assert path == str(dev / "video2")
    assert node(CaptureCameraConfig(by_id="A_7", lag_ms=1), "view", by_id) == str(dev / "video0")
    known = identity(path, by_id, tree)
    assert (known.model, known.serial) == ("House Camera", "usb-B_8-video-index0")
    with pytest.raises(LinkError, match="no camera has C_9"):
        node(CaptureCameraConfig(by_id="C_9", lag_ms=1), "view", by_id)
    with pytest.raises(LinkError, match="2 cameras have usb"):
        node(CaptureCameraConfig(by_id="usb", lag_ms=1), "view", by_id)


@pytest.mark.skipif(not Path("/dev/video0").exists(), reason="this machine has no camera")
async def test_a_camera_of_this_machine() -> None:
    async with opened(device="/dev/video0", lag_ms=300) as camera:
        assert read_picture((await camera.grab()).data).values.size > 0


# ---- what the bench file may say


@pytest.mark.parametrize(
    ("config", "says"),
    [
        ({}, "one of device"),
        ({"device": "/dev/video0", "url": "http://a/b", "lag_ms": 1}, "one of device"),
        ({"url": "http://a/b"}, "lag_ms"),
        ({"file": "a.avi", "lag_ms": 5}, "lag_ms"),
        ({"url": "rtsp://me:word@a/b", "lag_ms": 1}, "without name and password"),
        ({"url": "rtsp://a/b", "lag_ms": 1, "user": "me"}, "both or neither"),
        ({"url": "http://a/b", "lag_ms": 1, "focus": 3, "gain": 1}, "gain, focus: of a device"),
        ({"device": "/dev/video0", "lag_ms": 1, "exposure_ms": 20}, "of a camera that is listened to"),
        ({"url": "http://a/b", "lag_ms": 1, "exposure_ms": 20}, "where locked_by_hand names exposure"),
        ({"url": "http://a/b", "lag_ms": 1, "locked_by_hand": ["exposure"]}, "where locked_by_hand names exposure"),
        ({"device": "/dev/video0", "lag_ms": 1, "exposure_range_ms": [9, 1]}, "exposure_range_ms"),
        ({"device": "/dev/video0", "lag_ms": 1, "u_pixel_um": 0.1}, "u_pixel_um"),
    ],
)
def test_config_says_what_is_wrong(config: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        CaptureCameraConfig(**config)


# ---- the pace


def accepted(arrivals: list[float]) -> list[float]:
    pace = Pace()
    return [at for at in arrivals if pace.came(at)]


def test_pictures_at_their_pace_count_once_it_is_known() -> None:
    jittered = [0.1 * n + random.Random(n).uniform(-0.02, 0.02) for n in range(50)]
    assert accepted(jittered) == jittered[FEWEST + 1 :]


@pytest.mark.parametrize("stall_s", [0.5, 2.0, 8.0])
def test_neither_the_first_after_a_stall_nor_the_burst_behind_it_count(stall_s: float) -> None:
    before = [n / 30 for n in range(90)]
    came_s = before[-1] + stall_s
    burst = [came_s + 0.001 * n for n in range(int(30 * stall_s))]
    after = [burst[-1] + n / 30 for n in range(1, 60)]
    counted = accepted([*before, *burst, *after])
    assert not set(counted) & set(burst)
    assert set(after) <= set(counted)


def test_what_waited_while_the_source_was_opened_does_not_count() -> None:
    backlog = [0.001 * n for n in range(4)]
    after = [backlog[-1] + 0.1 * n for n in range(1, 20)]
    counted = accepted([*backlog, *after])
    assert not set(counted) & set(backlog)
    assert set(after[2:]) <= set(counted)


def test_another_rate_counts_before_long() -> None:
    arrivals = [n / 30 for n in range(150)]
    arrivals += [arrivals[-1] + n / 5 for n in range(1, 40)]
    counted = accepted(arrivals)
    assert next(at for at in counted if at > 5.0) < 5.0 + 3.0


def test_a_reader_that_only_computes_is_behind() -> None:
    pace = Pace()
    assert not any(pace.came(0.05 * n, busy_s=0.049) for n in range(40))
    assert pace.behind
    pace = Pace()
    assert any(pace.came(0.05 * n, busy_s=0.02) for n in range(40))
    assert not pace.behind
