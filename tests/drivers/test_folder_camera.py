"""The camera whose pictures appear in a folder: real files, written as tether programs write them."""

from __future__ import annotations

import asyncio
import errno
import io
import os
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from io import FileIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pydantic import ValidationError

from benchd.devices import DeviceError, Exposure, LinkError, LinkTimeout
from benchd.testing.lively import lively_loop
from benchd_drivers import folder_camera
from benchd_drivers.folder_camera import FolderCamera, FolderCameraConfig
from benchd_drivers.folder_watch import Moment, Rules, begin, look
from benchd_drivers.picture_tail import whole
from tests.drivers.folder_end import picture, put


@asynccontextmanager
async def camera_on(folder: Path, **config: Any) -> AsyncIterator[FolderCamera]:
    config = {"lag_s": 0.0, "wait_s": 0.5, **config}
    camera = FolderCamera.create("still", FolderCameraConfig(folder=str(folder), **config), None)
    try:
        await camera.open()
        yield camera
    finally:
        await camera.close()


async def while_waiting(camera: FolderCamera, does: Callable[[], None]) -> bytes:
    """The picture that a call gets during which something is done."""
    grabbing = asyncio.create_task(camera.grab())
    await asyncio.sleep(0.05)
    does()
    return (await grabbing).data


@pytest.mark.parametrize(("kind", "name"), [("PNG", "a.png"), ("JPEG", "DSC_1.JPG"), ("TIFF", "b.tif")])
async def test_the_picture_that_appears_after_the_call_is_taken(tmp_path: Path, kind: str, name: str) -> None:
    put(tmp_path, "before.png", picture(level=1))
    async with camera_on(tmp_path) as camera:
        called, body = time.monotonic(), picture(kind, 150)
        grabbing = asyncio.create_task(camera.grab())
        await asyncio.sleep(0.05)
        assert (await camera.health()).code == "waits"
        put(tmp_path, name, body)
        frame = await grabbing
        assert frame.data == body
        assert frame.media_type == f"image/{kind.lower()}"
        assert called <= frame.t_mono < time.monotonic()
        assert (await camera.health()).state == "ok"


async def test_a_file_that_is_being_written_is_waited_for(tmp_path: Path) -> None:
    body = picture("JPEG")

    def write() -> None:
        with (tmp_path / "slow.jpg").open("wb", buffering=0) as file:
            for at in range(0, len(body), 200):
                file.write(body[at : at + 200])
                time.sleep(0.15)

    writing = threading.Thread(target=write)
    async with camera_on(tmp_path, wait_s=5.0) as camera:
        assert await while_waiting(camera, writing.start) == body
    writing.join()


def end(file: FileIO, body: bytes) -> None:
    file.write(body)
    file.close()


async def test_one_begun_before_the_call_is_not_taken_when_it_ends_after_it(tmp_path: Path) -> None:
    body = picture("JPEG")
    with FileIO(tmp_path / "slow.jpg", "w") as file:
        file.write(body[:100])
        async with camera_on(tmp_path) as camera:
            with pytest.raises(LinkTimeout, match="no new picture"):
                await while_waiting(camera, partial(end, file, body[100:]))


async def test_one_that_takes_the_place_of_another_is_new(tmp_path: Path) -> None:
    put(tmp_path, "capt.png", picture(level=1))
    async with camera_on(tmp_path) as camera:
        body = picture(level=2)
        assert await while_waiting(camera, lambda: put(tmp_path, "capt.png", body)) == body


async def test_one_that_comes_sooner_than_its_lag_may_be_of_before(tmp_path: Path) -> None:
    async with camera_on(tmp_path, lag_s=0.4, wait_s=1.0) as camera:
        grabbing = asyncio.create_task(camera.grab())
        await asyncio.sleep(0.05)
        put(tmp_path, "early.png", picture(level=1))
        await asyncio.sleep(0.6)
        put(tmp_path, "after.png", picture(level=2))
        assert (await grabbing).data == picture(level=2)
        with pytest.raises(LinkTimeout, match="may be of before"):
            await while_waiting(camera, lambda: put(tmp_path, "soon.png", picture()))


async def test_an_old_file_that_is_moved_there_is_no_picture_of_now(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    for name in ("a.png", "b.png"):
        (tmp_path / "card" / name).write_bytes(picture())
        os.utime(tmp_path / "card" / name, (time.time() - 3600, time.time() - 3600))
    folder = tmp_path / "tether"
    folder.mkdir()

    def move(name: str) -> Callable[[], None]:
        return lambda: os.rename(tmp_path / "card" / name, folder / name)

    async with camera_on(folder) as camera:
        with pytest.raises(LinkTimeout, match="older by its own time"):
            await while_waiting(camera, move("a.png"))
    async with camera_on(folder, clock="own") as camera:
        assert await while_waiting(camera, move("b.png")) == picture()


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
def test_a_clock_that_is_set_meanwhile_does_not_matter(tmp_path: Path, step_s: float) -> None:
    wall_s = time.time()  # of the files; the call was by the clock before it was set
    rules = Rules(0.0, 10**6, True)
    seen = begin(tmp_path, Moment(100.0, wall_s - step_s))
    put(tmp_path, "a.png", picture())
    assert look(tmp_path, seen, Moment(100.1, wall_s + 0.1), rules) is None, "seen once, it may still grow"
    assert look(tmp_path, seen, Moment(100.2, wall_s + 0.2), rules) == (picture(), 100.0)


@pytest.mark.parametrize(
    ("name", "body", "says"),
    [
        ("DSC_1.raw", picture("TIFF"), "of a kind that is not read"),
        ("half.jpg", picture("JPEG")[:-40], "is not whole"),
        ("text.png", b"no picture", "is not whole"),
        ("large.tif", bytes(1_100_000), "larger than largest_mb"),
    ],
)
async def test_what_is_not_taken_is_told_with_its_reason(tmp_path: Path, name: str, body: bytes, says: str) -> None:
    async with camera_on(tmp_path, largest_mb=1) as camera:
        with pytest.raises(LinkTimeout) as caught:
            await while_waiting(camera, lambda: put(tmp_path, name, body))
        assert name in caught.value.advice
        assert says in caught.value.advice
        assert (await camera.health()).state == "fault"
        assert await while_waiting(camera, lambda: put(tmp_path, "well.png", picture())) == picture()


async def test_raw_beside_jpeg_does_no_harm(tmp_path: Path) -> None:
    def both() -> None:
        put(tmp_path, "DSC_1.raw", picture("TIFF"))
        put(tmp_path, "DSC_1.jpg", picture("JPEG"))

    async with camera_on(tmp_path) as camera:
        assert await while_waiting(camera, both) == picture("JPEG")


async def test_a_full_disk_is_named_as_the_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By a threshold above any disk: nothing of the folder itself is made up."""
    monkeypatch.setattr(folder_camera, "FULL", 1e18)
    async with camera_on(tmp_path, wait_s=0.1) as camera:
        with pytest.raises(LinkTimeout) as caught:
            await camera.grab()
    assert "disk is full" in caught.value.advice


async def test_a_folder_that_is_not_there_vanishes_and_comes_back(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    with pytest.raises(LinkError, match="no such file or directory"):
        async with camera_on(folder):
            pass
    (tmp_path / "file").touch()
    with pytest.raises(LinkError, match="not a directory"):
        async with camera_on(tmp_path / "file"):
            pass
    folder.mkdir()
    async with camera_on(folder) as camera:
        with pytest.raises(LinkError, match="no such file"):
            await while_waiting(camera, folder.rmdir)
        health = await camera.health()
        assert (health.state, health.code) == ("fault", "link")
        folder.mkdir()
        await camera.open()
        assert await while_waiting(camera, lambda: put(folder, "a.png", picture())) == picture()


async def test_a_right_that_is_missing_is_told_with_what_to_give(tmp_path: Path) -> None:
    """Whoever runs the tests as root may read everything, so the system's own error stands for it."""
    camera = FolderCamera.create("still", FolderCameraConfig(folder=str(tmp_path), lag_s=0), None)

    def refused() -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(tmp_path / "a.png"))

    with pytest.raises(LinkError, match=r"a\.png cannot be read: permission denied") as caught:
        await camera._asked(refused)
    assert "r and x of the folder" in caught.value.advice


async def test_a_share_that_hangs_costs_the_camera_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder_camera, "DISK_S", 0.2)
    come_back = threading.Event()
    camera = FolderCamera.create("still", FolderCameraConfig(folder=str(tmp_path), lag_s=0), None)
    async with lively_loop():
        with pytest.raises(LinkTimeout, match="takes too long"):
            await camera._asked(come_back.wait)
        threads = threading.active_count()
        with pytest.raises(LinkTimeout, match="takes too long"):
            await camera.open()
        assert threading.active_count() == threads, "no second thread waits beside the first"
    come_back.set()
    while True:
        try:
            await camera.open()
            break
        except LinkTimeout:
            await asyncio.sleep(0.01)
    await camera.close()


async def test_settings_are_those_that_a_person_has_stated(tmp_path: Path) -> None:
    async with camera_on(tmp_path, exposure_ms=50, locked_by_hand=["exposure", "focus"]) as camera:
        assert await camera.configure(10, 1) == Exposure(50, 1.0)
        assert camera.spec.by_itself == ("gain", "white_balance")
    async with camera_on(tmp_path) as camera:
        with pytest.raises(DeviceError, match="takes no settings"):
            await camera.configure(10, 1)


@pytest.mark.parametrize(
    ("config", "says"),
    [
        ({}, "lag_s"),
        ({"lag_s": 70}, "wait_s"),
        ({"lag_s": 0, "exposure_ms": 5}, "exposure_ms"),
        ({"lag_s": 0, "u_pixel_um": 0.1}, "u_pixel_um"),
    ],
)
def test_config_says_what_is_wrong(config: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        FolderCameraConfig(folder="x", **config)


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_no_part_of_a_picture_is_whole_and_more_does_no_harm(kind: str) -> None:
    rng, out = np.random.default_rng(3), io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (48, 64), np.uint8)).save(out, kind)
    body = out.getvalue()
    assert whole(body)
    assert whole(body + b"appended by the camera")
    assert not any(whole(body[:end]) for end in range(len(body) - 1))


def test_a_thumbnail_that_ends_is_no_picture_that_ends() -> None:
    """In the head of a JPEG that is cut off."""
    body = picture("JPEG")
    with_thumbnail = body[:2] + b"\xff\xe1" + (2 + len(body)).to_bytes(2, "big") + body + body[2:]
    assert whole(with_thumbnail)
    assert not whole(with_thumbnail[:-2])
