"""A camera whose pictures appear as files in a folder: a still camera on a tether, or one that shoots by itself.

Nobody is told to press: a person, an interval timer or the tether program takes the picture, and this waits for it.
"""

from __future__ import annotations

import asyncio
import errno
import math
import os
from collections.abc import AsyncIterator, Callable
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.devices import (
    Camera,
    CameraSpec,
    DeviceError,
    Exposure,
    Frame,
    Health,
    Identity,
    Link,
    LinkError,
    LinkTimeout,
    now_s,
    now_utc,
)
from benchd_drivers.aside import Aside
from benchd_drivers.capture_config import LOCKABLE, Lockable
from benchd_drivers.folder_watch import SUFFIXES, Moment, Rules, Seen, begin, look
from benchd_drivers.http_camera import Orientation
from benchd_drivers.picture_head import media_type

T = TypeVar("T")

POLL_S = 0.1
DISK_S = 5.0
"""The time that one look into the folder may take, a large picture on a slow share included."""
FULL = 32e6
"""Free bytes below which the disk is the likely reason that no picture comes."""


class FolderCameraConfig(BaseModel):
    """`lag_s`: from the press of the shutter until the file begins to appear, at the most, as it was measured.

    `wait_s`: how long a picture is waited for. `clock: own` where the files' times are not by this computer's clock, as
    on some shares: files that are moved here are then taken for new ones. `locked_by_hand` names what was locked in the
    camera, `exposure_ms` the exposure set there. `linear` and `gamma` as of a picture by URL.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    folder: str = Field(min_length=1)
    lag_s: float = Field(ge=0, le=300)
    wait_s: float = Field(default=60.0, gt=0, le=280)
    clock: Literal["shared", "own"] = "shared"
    locked_by_hand: tuple[Lockable, ...] = ()
    exposure_ms: float | None = Field(default=None, gt=0, le=600_000)
    orientation: Orientation = "upright"
    pixel_um: float | None = Field(default=None, gt=0)
    u_pixel_um: float | None = Field(default=None, ge=0)
    linear: bool = False
    gamma: float | None = Field(default=None, ge=0.2, le=5)
    largest_mb: float = Field(default=64.0, ge=1, le=512)

    @model_validator(mode="after")
    def _together(self) -> Self:
        if (self.exposure_ms is not None) != ("exposure" in self.locked_by_hand):
            raise ValueError("exposure_ms: stated where locked_by_hand names exposure, and nowhere else")
        if self.u_pixel_um is not None and self.pixel_um is None:
            raise ValueError("u_pixel_um: nothing without pixel_um, whose uncertainty it is")
        if self.lag_s >= self.wait_s:
            raise ValueError("wait_s: longer than lag_s, before which no picture counts")
        return self


class FolderCamera(Camera):
    """See `benchd.devices.Camera` for the contracts."""

    Config = FolderCameraConfig

    def __init__(self, name: str, config: FolderCameraConfig) -> None:
        self.name = name
        self._config = config
        self._folder = Path(config.folder)
        self._aside = Aside(name)
        self._open = False
        self._waiting = 0
        self._failed: DeviceError | None = None
        self._exposure = None if config.exposure_ms is None else Exposure(config.exposure_ms, 1.0)
        self.answers_within_s = config.wait_s + DISK_S + 2.0
        fixed = None if config.exposure_ms is None else (config.exposure_ms, config.exposure_ms)
        self.spec = CameraSpec(
            size=None,
            linear=config.linear,
            hardware_time=False,
            lockable=False,
            pixel_um=config.pixel_um,
            u_pixel_um=config.u_pixel_um,
            exposure_range_ms=fixed,
            orientation=config.orientation,
            gamma=config.gamma,
            by_itself=tuple(one for one in LOCKABLE if one not in config.locked_by_hand),
        )

    @classmethod
    def create(cls, name: str, config: FolderCameraConfig, link: Link | None) -> FolderCamera:
        if link is not None:
            raise ValueError("link: none; a folder_camera is reached by its folder")
        return cls(name, config)

    async def open(self) -> Identity:
        self._open = False
        await self._asked(partial(begin, self._folder, _now()))
        self._open, self._failed = True, None
        return Identity(model=self._folder.name)

    async def close(self) -> None:
        self._open = False

    async def health(self) -> Health:
        if not self._open:
            return Health("fault", "link", f"{self.name} is not open.")
        if self._failed is not None:
            lost = isinstance(self._failed, LinkError) and not isinstance(self._failed, LinkTimeout)
            return Health("fault", "link" if lost else self._failed.code, self._failed.text)
        if self._waiting:
            return Health("degraded", "waits", f"{self.name} waits for a picture in {self._folder}: take one.")
        return Health("ok")

    async def configure(self, exposure_ms: float, gain: float) -> Exposure:
        """What was set in the camera is told, whatever is asked for. Raises DeviceError where nobody has stated it."""
        if not (math.isfinite(exposure_ms) and exposure_ms > 0 and math.isfinite(gain) and gain > 0):
            raise ValueError("exposure_ms and gain must be positive and finite")
        if self._exposure is None:
            raise DeviceError(
                f"{self.name} takes no settings.",
                advice="Lock the camera's exposure, and state exposure_ms and locked_by_hand in the bench file.",
                device=self.name,
            )
        return self._exposure

    async def grab(self) -> Frame:
        if not self._open:
            raise LinkError(f"{self.name} is not open.", device=self.name)
        self._waiting += 1
        try:
            frame = await self._waited_for()
        except DeviceError as error:
            self._failed = error
            raise
        finally:
            self._waiting -= 1
        self._failed = None
        return frame

    async def _waited_for(self) -> Frame:
        config, ends_s = self._config, now_s() + self._config.wait_s
        seen = await self._asked(partial(begin, self._folder, _now()))
        rules = Rules(config.lag_s, round(config.largest_mb * 1e6), config.clock == "shared")
        while True:
            found = await self._asked(partial(look, self._folder, seen, _now(), rules))
            if found is not None:
                return self._frame(*found)
            if now_s() > ends_s:
                raise await self._none_came(seen)
            await asyncio.sleep(POLL_S)

    def _frame(self, body: bytes, appeared_s: float) -> Frame:
        t_mono = appeared_s - 0.5 * self._config.lag_s
        utc = now_utc() - timedelta(seconds=now_s() - t_mono)
        t_utc = utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return Frame(body, media_type(body) or "", t_mono, t_utc, self._exposure)

    async def stream(self) -> AsyncIterator[Frame]:
        while True:
            yield await self.grab()

    async def _asked(self, work: Callable[[], T]) -> T:
        try:
            return await self._aside.done(work, f"look into {self._folder}", DISK_S)
        except OSError as error:
            raise self._lost(error) from error

    def _lost(self, error: OSError) -> LinkError:
        user = "benchd's user"
        advice = {
            errno.ENOENT: "Make it, mount it, or set right `folder` in the bench file; a relative path starts where "
            "benchd was started.",
            errno.ENOTDIR: "`folder` in the bench file has to be a folder.",
            errno.EACCES: f"Give {user} the right to read it: it takes r and x of the folder, and r of its files.",
            errno.EPERM: f"Give {user} the right to read it: it takes r and x of the folder, and r of its files.",
        }.get(error.errno or 0, "Check the disk, or the network and the computer that shares the folder.")
        what = Path(os.fsdecode(error.filename)) if error.filename else self._folder
        return LinkError(
            f"{self.name}: {what} cannot be read: {os.strerror(error.errno or errno.EIO).lower()}.",
            advice=advice,
            device=self.name,
        )

    async def _none_came(self, seen: Seen) -> LinkTimeout:
        """Why, as far as the folder shows it."""
        advice = "Take one, and look whether the tether program puts it there."
        free = await self._asked(lambda: os.statvfs(self._folder))
        read = ", ".join(sorted(SUFFIXES))
        for names, why in (
            (seen.early, "came too soon after the question, and may be of before; take one after the question"),
            (
                seen.old,
                "is older by its own time than the question: it was moved there, or clocks differ (`clock`)",
            ),
            (seen.broken, "is not whole; the tether program may have broken off"),
            (seen.too_large, f"is larger than largest_mb ({self._config.largest_mb:g})"),
            (seen.others, f"is of a kind that is not read ({read} are): have the camera write JPEG or TIFF as well"),
        ):
            if names:
                advice = f"{sorted(names)[0]} {why}."
                break
        if free.f_bavail * free.f_frsize < FULL:
            advice = f"The disk is full ({free.f_bavail * free.f_frsize / 1e6:.0f} MB are free): make room on it."
        return LinkTimeout(
            f"{self.name}: no new picture in {self._folder} within {self._config.wait_s:g} s.",
            advice=advice,
            device=self.name,
        )


def _now() -> Moment:
    return Moment(now_s(), now_utc().timestamp())
