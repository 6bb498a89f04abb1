"""A camera that answers a GET with one picture, or with a stream of them: phones, single-board computers, network
cameras."""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import AsyncIterator
from datetime import timedelta
from typing import Any, Literal, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.devices import (
    Camera,
    CameraSpec,
    Clock,
    DeviceError,
    Exposure,
    Frame,
    Health,
    Identity,
    Implausible,
    Link,
    LinkError,
    LinkGarbled,
    Refused,
    now_s,
    now_utc,
    utc_seconds,
)
from benchd_drivers.http_session import Fetched, HttpSession, Session
from benchd_drivers.http_stream import Dial, dialled, parts_of
from benchd_drivers.picture_head import LONGEST_MAGIC, media_type, size_in

OTHER_BYTES = 64 * 1024
"""An answer that is no picture: what was set, or why not."""
PIXEL_BYTES, FRAME_BYTES = 8, 1 << 20
"""At most: four channels of 16 bits a pixel; and what a file holds beside them."""
OLD_TRIES = 4
"""A camera that hands out the picture it has stored has a fresh one after a few questions, or never."""
CLOCKS_S = 0.02
"""How far the camera's clock may be ahead of or behind ours when the two are said to be one."""
Orientation = Literal["upright", "upside_down", "mirrored", "mirrored_upside_down", "turned_left", "turned_right"]


class HttpCameraConfig(BaseModel):
    """`settings_url` may hold {exposure_ms} and {gain}. `clock: shared` trusts `time_header` against our own clock.

    The header holds the middle of the exposure, RFC 3339 or seconds since 1970. `linear` says that pictures are linear
    in light whose file does not say otherwise, as every JPEG does; not stated, it is not taken for so. `gamma` (value =
    light^(1/gamma)) overrules both: 2.2 for a usual video curve, 1 for a JPEG that is linear all the same.
    `stream_url` is a multipart/x-mixed-replace stream, each part with `time_header`: for continuous sweeps. There one
    offset of the clocks is taken for as long as the stream is open, so that `own` will do.
    A file may be as large as its pixels can be, and `largest_mb` at most; more is not read.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    url: str = Field(pattern=r"^https?://[^\s/]+/\S*$")
    settings_url: str | None = Field(default=None, pattern=r"^https?://[^\s/]+/\S*$")
    stream_url: str | None = Field(default=None, pattern=r"^https?://[^\s/]+/\S*$")
    time_header: str | None = None
    clock: Literal["shared", "own"] = "shared"
    orientation: Orientation = "upright"
    pixel_um: float | None = Field(default=None, gt=0)
    u_pixel_um: float | None = Field(default=None, ge=0)
    linear: bool = False
    gamma: float | None = Field(default=None, ge=0.2, le=5)
    exposure_range_ms: tuple[float, float] | None = None
    timeout_s: float = Field(default=5.0, gt=0, le=60)
    largest_mb: float = Field(default=64.0, ge=1, le=512)

    @model_validator(mode="after")
    def _one_host(self) -> Self:
        if "@" in urlsplit(self.url).netloc:
            raise ValueError(
                "url: an address without name and password; they would not be sent, and be shown in errors"
            )
        if self.settings_url is not None:
            try:
                self.settings_url.format(exposure_ms=1.0, gain=1.0)
            except (KeyError, IndexError, ValueError):
                raise ValueError("settings_url may hold {exposure_ms} and {gain}, nothing else in braces") from None
            if urlsplit(self.settings_url)[:2] != urlsplit(self.url)[:2]:
                raise ValueError("settings_url must be on the same host as url")
        if self.stream_url is not None:
            if urlsplit(self.stream_url).hostname != urlsplit(self.url).hostname:
                raise ValueError("stream_url must be on the same host as url")
            if self.time_header is None:
                raise ValueError("stream_url: nothing without time_header: a stream is matched to places by its stamps")
        if "clock" in self.model_fields_set and self.time_header is None:
            raise ValueError("clock: nothing without time_header, whose clock it is")
        if self.u_pixel_um is not None and self.pixel_um is None:
            raise ValueError("u_pixel_um: nothing without pixel_um, whose uncertainty it is")
        low_high = self.exposure_range_ms
        if low_high is not None and not 0 < low_high[0] <= low_high[1]:
            raise ValueError("exposure_range_ms: two positive values, the first not above the second")
        return self


class HttpCamera(Camera):
    """See `benchd.devices.Camera` for the contracts."""

    Config = HttpCameraConfig

    def __init__(self, name: str, config: HttpCameraConfig) -> None:
        self.name = name
        self._config = config
        self._clock = Clock()
        self._session: Session | None = None
        self._exposure: Exposure | None = None
        self._last_stamp: float | None = None
        self._health = Health("ok")
        self.spec = CameraSpec(
            size=None,
            linear=config.linear,
            hardware_time=config.time_header is not None and config.clock == "shared",
            lockable=config.settings_url is not None,
            pixel_um=config.pixel_um,
            u_pixel_um=config.u_pixel_um,
            exposure_range_ms=config.exposure_range_ms,
            orientation=config.orientation,
            gamma=config.gamma,
            streams=config.stream_url is not None,
        )

    @property
    def answers_within_s(self) -> float:  # type: ignore[override]
        """A picture may be asked for several times, each exposed anew."""
        return 2.0 * OLD_TRIES * (self._config.timeout_s + self._extra_s) + 5.0

    @property
    def _extra_s(self) -> float:
        return 2 * self._exposure.exposure_ms / 1000 if self._exposure else 0.0

    @classmethod
    def create(cls, name: str, config: HttpCameraConfig, link: Link | None) -> HttpCamera:
        if link is not None:
            raise ValueError("link: none; an http_camera is reached by its url")
        return cls(name, config)

    async def open(self) -> Identity:
        if self._session is None:
            self._session = self._new_session()
        self._last_stamp = None
        try:
            fetched = await self._get(self._config.url)
            _media_type(fetched, self.name)
        except BaseException:
            await self.close()
            raise
        self._health = Health("ok")
        return Identity(model=fetched.headers.get("server", ""))

    def _new_session(self) -> Session:
        """What the pictures will come by."""
        return HttpSession(self.name, self._config.url, self._config.timeout_s)

    async def close(self) -> None:
        session, self._session = self._session, None
        if session is not None:
            await session.close()

    async def health(self) -> Health:
        if self._session is None:
            return Health("fault", "link", f"{self.name} is not open.")
        return self._health

    async def _get(self, url: str) -> Fetched:
        if self._session is None:
            raise LinkError(f"{self.name} is not open.", device=self.name)
        parts = urlsplit(url)
        target = parts.path + (f"?{parts.query}" if parts.query else "")
        try:
            fetched = await self._session.get(target, self._most, self._extra_s)
        except LinkError as error:
            lost = type(error) is LinkError  # refused or broken off, and not only slow
            self._health = Health("fault", "link" if lost else error.code, error.text)
            raise
        if fetched.status != 200:
            text = f"{self.name}: {url} answered with status {fetched.status}."
            self._health = Health("fault", "http", text)
            raise DeviceError(text, advice="Check the address in the bench file.", device=self.name)
        return fetched

    def _most(self, body: bytearray) -> int:
        """What an answer that begins like this can be at most."""
        if media_type(body) is None and len(body) >= LONGEST_MAGIC:
            return OTHER_BYTES
        largest = round(self._config.largest_mb * 1e6)
        size = size_in(body[:FRAME_BYTES])
        return largest if size is None else min(largest, size[0] * size[1] * PIXEL_BYTES + FRAME_BYTES)

    async def configure(self, exposure_ms: float, gain: float) -> Exposure:
        """Raises ValueError outside what can be asked for; DeviceError where the camera takes no settings."""
        if not (math.isfinite(exposure_ms) and exposure_ms > 0 and math.isfinite(gain) and gain > 0):
            raise ValueError("exposure_ms and gain must be positive and finite")
        if self._config.settings_url is None:
            raise DeviceError(
                f"{self.name} takes no settings.", advice="Give its settings_url in the bench file.", device=self.name
            )
        if self._config.exposure_range_ms is not None:
            low, high = self._config.exposure_range_ms
            exposure_ms = min(max(exposure_ms, low), high)
        fetched = await self._get(self._config.settings_url.format(exposure_ms=exposure_ms, gain=gain))
        self._exposure = _told(fetched.body, Exposure(exposure_ms, gain))
        return self._exposure

    async def grab(self) -> Frame:
        called = now_utc().timestamp()
        late_s = 0.0
        for _ in range(OLD_TRIES):
            fetched = await self._get(self._config.url)
            media_type = _media_type(fetched, self.name)
            stamp = self._stamp(fetched.headers)
            if stamp is None or self._config.clock == "own":
                self._thawed(stamp)
                middle = (fetched.asked + fetched.came) / 2
                return self._frame(fetched, media_type, middle, False)
            half_s = self._exposure.exposure_ms / 2000 if self._exposure else 0.0
            if stamp > now_utc().timestamp() + CLOCKS_S:
                raise self._implausible("its pictures are from the future: its clock is not ours")
            if stamp - half_s >= called - CLOCKS_S:
                self._thawed(stamp)
                return self._frame(fetched, media_type, now_s() - (now_utc().timestamp() - stamp), True)
            late_s = called - stamp
        raise self._implausible(f"its picture is {late_s:.1f} s older than the request, {OLD_TRIES} times over")

    def _stamp(self, headers: dict[str, str]) -> float | None:
        """The picture's own time, seconds since 1970; None where no header is configured."""
        if self._config.time_header is None:
            return None
        text = headers.get(self._config.time_header.lower(), "")
        try:
            stamp = utc_seconds(text) if "-" in text[1:] else float(text)
        except (ValueError, Refused):
            stamp = math.nan
        if not math.isfinite(stamp):
            raise self._implausible(f"its header {self._config.time_header} is '{text[:40]}', which is no time")
        return stamp

    def _thawed(self, stamp: float | None) -> None:
        """Two pictures of one instant are one picture: the camera is frozen."""
        if stamp is not None and stamp == self._last_stamp:
            raise self._implausible("it gave the same picture twice: it is frozen")
        self._last_stamp = stamp
        self._health = Health("ok")

    def _implausible(self, why: str) -> Implausible:
        self._health = Health("fault", "implausible", f"{self.name}: {why}.")
        return Implausible(self._health.text, advice="Check the camera, its clock and `clock` in the bench file.")

    def _frame(self, fetched: Fetched, media_type: str, t_mono: float, hardware: bool) -> Frame:
        return self._framed(fetched.body, media_type, t_mono, hardware)

    def _framed(self, body: bytes, media_type: str, t_mono: float, hardware: bool) -> Frame:
        utc = now_utc() - timedelta(seconds=now_s() - t_mono)
        t_utc = utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return Frame(body, media_type, t_mono, t_utc, self._exposure, hardware)

    async def stream(self) -> AsyncIterator[Frame]:
        """Without `stream_url` one picture after the other is asked for.

        Raises Implausible for a part without a time, or whose time does not come after the last one's."""
        if self._config.stream_url is None:
            while True:
                yield await self.grab()
        parts = parts_of(self._dial, self.name, self._config.stream_url, self._config.timeout_s, self._most)
        ours_less_its: float | None = None
        last = -math.inf
        async with contextlib.aclosing(parts):
            async for part, came in parts:
                if (kind := media_type(part.body)) is None:
                    text = f"{self.name} sends no picture in its stream."
                    raise LinkGarbled(text, advice="PNG, JPEG and TIFF are understood.", device=self.name)
                stamp = self._stamp(part.headers)
                assert stamp is not None
                if stamp <= last:
                    raise self._implausible(f"its stream goes back by {last - stamp:.3f} s: its clock was set")
                last = stamp
                if (
                    ours_less_its is None
                ):  # one for all: what it is off by, and latency, cancel where both ways are gone
                    shared = self._config.clock == "shared"
                    ours_less_its = now_s() - now_utc().timestamp() if shared else came - stamp
                yield self._framed(part.body, kind, stamp + ours_less_its, True)

    @property
    def _dial(self) -> Dial:
        """What a stream will come by."""
        return dialled


def _media_type(fetched: Fetched, device: str) -> str:
    found = media_type(fetched.body)
    if found is None:
        said = fetched.headers.get("content-type", "nothing")
        raise LinkGarbled(
            f"{device} sends no picture (it says {said}).", advice="PNG, JPEG and TIFF are understood.", device=device
        )
    return found


def _told(body: bytes, asked: Exposure) -> Exposure:
    """What the camera says it set, where it answers with a JSON object; else what was asked for."""
    try:
        told: Any = json.loads(body)
        exposure_ms, gain = float(told["exposure_ms"]), float(told["gain"])
    except (ValueError, TypeError, KeyError, RecursionError):
        return asked
    if not (math.isfinite(exposure_ms) and exposure_ms > 0 and math.isfinite(gain) and gain > 0):
        return asked
    return Exposure(exposure_ms, gain)
