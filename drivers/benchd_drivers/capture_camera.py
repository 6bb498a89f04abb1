"""A camera by OpenCV: video devices of this machine (USB), streams (RTSP, MJPEG), and files for trying things out."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta

from benchd.devices import (
    Camera,
    CameraSpec,
    DeviceError,
    DeviceMismatch,
    Exposure,
    Frame,
    Health,
    Identity,
    Implausible,
    Link,
    LinkError,
    LinkTimeout,
    now_s,
    now_utc,
)
from benchd_drivers.capture_config import LOCKABLE, CaptureCameraConfig
from benchd_drivers.capture_reader import Reader, Taken
from benchd_drivers.capture_settings import Locked, Source, expose, lock
from benchd_drivers.capture_source import SILENCE, demand_opencv, encoded, open_source

ENDS_S = 1.5
"""So long `close` waits for the thread; one that hangs is left to itself."""


class CaptureCamera(Camera):
    """See `benchd.devices.Camera` for the contracts."""

    Config = CaptureCameraConfig

    def __init__(self, name: str, config: CaptureCameraConfig) -> None:
        self.name = name
        self._config = config
        self._reader: Reader | None = None
        self._hung: Reader | None = None
        self._exposure = None if config.exposure_ms is None else Exposure(config.exposure_ms, 1.0)
        self._failed: DeviceError | None = None
        self._identity: Identity | None = None
        self._opening = asyncio.Lock()
        self._in_use = False
        fixed = None if config.exposure_ms is None else (config.exposure_ms, config.exposure_ms)
        self.spec = CameraSpec(
            size=config.size,
            linear=False,
            hardware_time=False,
            lockable=config.is_device,
            pixel_um=config.pixel_um,
            u_pixel_um=config.u_pixel_um,
            exposure_range_ms=config.exposure_range_ms or fixed,
            orientation=config.orientation,
            gamma=config.gamma,
            by_itself=() if config.replays else tuple(one for one in LOCKABLE if one not in config.locked_by_hand),
            replays=config.replays,
        )

    @property
    def opens_within_s(self) -> float:  # type: ignore[override]
        return 2.0 * self._config.timeout_s + 10.0

    @property
    def answers_within_s(self) -> float:  # type: ignore[override]
        """A stream that has broken off is begun anew by who asks for its next picture."""
        return self._within_s + 2.0 + (self.opens_within_s if self._config.url is not None else 0.0)

    @property
    def _within_s(self) -> float:
        """The time that a picture may take: the pace has to be known, and settings to have come into force."""
        return self._config.timeout_s + self._config.lag_s + (4 + self._config.settle_frames) * self._exposed_s

    @property
    def _exposed_s(self) -> float:
        return 0.0 if self._exposure is None else self._exposure.exposure_ms / 1000

    @classmethod
    def create(cls, name: str, config: CaptureCameraConfig, link: Link | None) -> CaptureCamera:
        if link is not None:
            raise ValueError("link: none; a capture_camera is reached by its device, by_id, url or file")
        demand_opencv(name)
        return cls(name, config)

    async def open(self) -> Identity:
        async with self._opening:
            self._identity = await self._open()
            self._in_use = True
            return self._identity

    async def _open(self) -> Identity:
        await self._close()
        if self._hung is not None:
            raise LinkError(
                f"{self.name}: a call into its driver has not come back yet.",
                advice="Unplug the camera and plug it in again; where that does not help, end benchd and begin anew.",
                device=self.name,
            )
        self._failed = None
        reader = self._reader = Reader(
            self.name,
            self._open_source,
            lambda image: encoded(image, self._config.colour, self.name),
            live=not self._config.replays,
            silent_s=SILENCE * self._config.timeout_s,
        )
        try:
            async with asyncio.timeout(self._config.timeout_s + 8.0):  # a device may take seconds to begin
                identity = await reader.start()
                if self._config.is_device:
                    locked = await reader.set(lambda source: lock(source, self._config, self.name))
                    self._told(locked)
        except TimeoutError:
            await self._close()
            raise self._silence() from None
        except BaseException:
            await self._close()
            raise
        return identity

    def _open_source(self) -> tuple[Source, Identity]:
        """In the reader's thread."""
        return open_source(self._config, self.name)

    def _told(self, locked: Locked) -> None:
        self.spec = replace(self.spec, lockable=locked.exposure_settable, by_itself=locked.by_itself)

    async def close(self) -> None:
        async with self._opening:
            self._in_use = False
            await self._close()

    async def _close(self) -> None:
        reader, self._reader = self._reader or self._hung, None
        if reader is None:
            return
        self._hung = reader
        reader.stop()
        with suppress(TimeoutError):
            async with asyncio.timeout(ENDS_S):
                await asyncio.shield(reader.ended)
        if reader.ended.done():
            self._hung = None

    async def health(self) -> Health:
        reader = self._reader
        if reader is None:
            return Health("fault", "link", f"{self.name} is not open.")
        if reader.lost is not None:
            return Health("fault", "link" if isinstance(reader.lost, LinkError) else "ended", reader.lost.text)
        if not self._config.replays and (silent_s := now_s() - reader.last_s) > SILENCE * self._within_s:
            return Health("fault", "link", f"{self.name}: no picture for {silent_s:.0f} s.")
        if self._failed is not None:
            return Health("fault", self._failed.code, self._failed.text)
        return self._reservation()

    def _reservation(self) -> Health:
        if self._config.replays:
            return Health("degraded", "replays", f"{self.name} shows a file: nothing of this bench is seen in it.")
        if self.spec.by_itself:
            what = ", ".join(self.spec.by_itself).replace("_", " ")
            return Health("degraded", "by_itself", f"{self.name} is not known to keep what it has set: {what}.")
        return Health("ok")

    async def configure(self, exposure_ms: float, gain: float) -> Exposure:
        """Gain is locked: 1 is the gain that stands in the bench file. Raises ValueError outside what can be asked
        for; DeviceError where the exposure cannot be set."""
        if not (math.isfinite(exposure_ms) and exposure_ms > 0 and math.isfinite(gain) and gain > 0):
            raise ValueError("exposure_ms and gain must be positive and finite")
        if self._config.exposure_ms is not None and self._exposure is not None:
            return self._exposure  # locked on its own page; what is in force is told, whatever was asked for
        if not self.spec.lockable:
            how = "lock it on the camera's own page, and state exposure_ms and locked_by_hand"
            advice = "It has no manual exposure." if self._config.is_device else how.capitalize() + "."
            raise DeviceError(f"{self.name}: its exposure cannot be set.", advice=advice, device=self.name)
        if self._config.exposure_range_ms is not None:
            low, high = self._config.exposure_range_ms
            exposure_ms = min(max(exposure_ms, low), high)
        reader = self._read()
        try:
            async with asyncio.timeout(self._within_s):
                self._exposure = await reader.set(
                    lambda source: expose(source, exposure_ms, self.name), self._config.settle_frames
                )
        except TimeoutError:
            raise self._silence() from None
        return self._exposure

    async def grab(self) -> Frame:
        await self._begun_anew()
        reader, exposure, before_s = self._read(), self._exposure, self._config.lag_s + self._exposed_s
        try:
            async with asyncio.timeout(self._within_s):
                taken = await reader.picture(now_s() + before_s)
        except TimeoutError:
            raise self._behind() if reader.behind else self._silence() from None
        except DeviceError as error:
            self._failed = error
            raise
        self._failed = None
        return self._frame(taken, before_s, exposure)

    async def _begun_anew(self) -> None:
        """Open a stream that has broken off; noise on the way is enough to end one. Raises as `open`."""
        async with self._opening:
            lost = self._in_use and (self._reader is None or self._reader.lost is not None)
            if self._config.url is None or not lost:
                return
            if await self._open() != self._identity:
                await self._close()
                raise DeviceMismatch(
                    f"{self.name}: its stream has another format than before.",
                    advice="Check what the camera was set to; for another format begin again with `benchd up`.",
                    device=self.name,
                )

    def _frame(self, taken: Taken, before_s: float, exposure: Exposure | None) -> Frame:
        """Its time is the middle of when it can have been exposed: after the call, and before it was there."""
        t_mono = taken.arrived_s - 0.5 * before_s
        utc = now_utc() - timedelta(seconds=now_s() - t_mono)
        t_utc = utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return Frame(taken.data, "image/png", t_mono, t_utc, exposure)

    async def stream(self) -> AsyncIterator[Frame]:
        while True:
            yield await self.grab()

    def _read(self) -> Reader:
        if self._reader is None:
            raise LinkError(f"{self.name} is not open.", device=self.name)
        return self._reader

    def _silence(self) -> LinkTimeout:
        self._failed = LinkTimeout(
            f"{self.name} gave no picture in {self._within_s:.1f} s.",
            advice="Check the camera, its cable and its network; one that comes by fits and starts gives none either.",
            device=self.name,
        )
        return self._failed

    def _behind(self) -> Implausible:
        self._failed = Implausible(
            f"{self.name}: pictures come faster than this computer can take them, so each has been waiting.",
            advice="Set a smaller size or a lower rate in the camera.",
            device=self.name,
        )
        return self._failed
