"""What the bench file says of a camera that OpenCV reads."""

from __future__ import annotations

from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd_drivers.http_camera import Orientation

Lockable = Literal["exposure", "gain", "focus", "white_balance"]
LOCKABLE: tuple[Lockable, ...] = ("exposure", "gain", "focus", "white_balance")
_OF_DEVICES = (
    "size", "frames_per_s", "pixel_format", "gain", "focus", "white_balance_K", "exposure_range_ms", "settle_frames",
)  # fmt: skip
_OF_STREAMS = ("user", "password_file", "exposure_ms", "locked_by_hand")
Pixels = Annotated[int, Field(ge=16, le=16384)]


class CaptureCameraConfig(BaseModel):
    """One of `device` (/dev/video0), `by_id` (part of its name in /dev/v4l/by-id), `url` (rtsp, http), `file`.

    `lag_ms`: from the end of an exposure to the arrival of its picture here, at the most, as it was measured.
    `gain`, `focus` and `white_balance_K` are the device's own numbers, set when it is opened and read back.
    `settle_frames`: how many pictures are passed over after exposure or gain were set. `locked_by_hand` names what was
    locked on the page of a camera that can only be listened to, `exposure_ms` the exposure set there. `gamma` (value =
    light^(1/gamma)) as measured, 1 for a linear one: without it pictures are not taken to be linear.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    device: str | None = Field(default=None, pattern=r"^/dev/\S+$")
    by_id: str | None = Field(default=None, min_length=1)
    url: str | None = Field(default=None, pattern=r"^(rtsp|https?)://[^\s/]+(/\S*)?$")
    file: str | None = Field(default=None, min_length=1)
    user: str | None = Field(default=None, min_length=1, max_length=200)
    password_file: str | None = Field(default=None, min_length=1)
    lag_ms: float | None = Field(default=None, ge=0, le=30_000)
    size: tuple[Pixels, Pixels] | None = None
    frames_per_s: float | None = Field(default=None, ge=0.1, le=1000)
    pixel_format: str | None = Field(default=None, pattern=r"^[A-Z0-9 ]{4}$")
    gain: float | None = None
    focus: float | None = None
    white_balance_K: float | None = Field(default=None, ge=1000, le=20_000)
    exposure_range_ms: tuple[float, float] | None = None
    settle_frames: int = Field(default=4, ge=1, le=100)
    exposure_ms: float | None = Field(default=None, gt=0, le=10_000)
    locked_by_hand: tuple[Lockable, ...] = ()
    colour: bool = False
    orientation: Orientation = "upright"
    pixel_um: float | None = Field(default=None, gt=0)
    u_pixel_um: float | None = Field(default=None, ge=0)
    gamma: float | None = Field(default=None, ge=0.2, le=5)
    timeout_s: float = Field(default=5.0, gt=0, le=30)

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if sum(stated is not None for stated in (self.device, self.by_id, self.url, self.file)) != 1:
            raise ValueError("give one of device, by_id, url, file")
        if self.url is not None and "@" in urlsplit(self.url).netloc:
            raise ValueError("url: an address without name and password; write user and password_file beside it")
        if (self.user is None) != (self.password_file is None):
            raise ValueError("user and password_file: both or neither")
        if (self.lag_ms is None) != self.replays:
            text = "nothing with a file, which has no lag" if self.replays else "how late pictures come at the most"
            raise ValueError(f"lag_ms: {text}")
        return self

    @model_validator(mode="after")
    def _keys_of_the_source(self) -> Self:
        for keys, fits, what in (
            (_OF_DEVICES, self.is_device, "a device of this machine (device, by_id)"),
            (_OF_STREAMS, self.url is not None, "a camera that is listened to by its url"),
        ):
            if not fits and (without := [key for key in keys if key in self.model_fields_set]):
                raise ValueError(f"{', '.join(without)}: of {what} only")
        if (self.exposure_ms is not None) != ("exposure" in self.locked_by_hand):
            raise ValueError("exposure_ms: stated where locked_by_hand names exposure, and nowhere else")
        low_high = self.exposure_range_ms
        if low_high is not None and not 0 < low_high[0] <= low_high[1]:
            raise ValueError("exposure_range_ms: two positive values, the first not above the second")
        if self.u_pixel_um is not None and self.pixel_um is None:
            raise ValueError("u_pixel_um: nothing without pixel_um, whose uncertainty it is")
        return self

    @property
    def is_device(self) -> bool:
        """Whether it is a device of this machine, whose settings can be told to it."""
        return self.device is not None or self.by_id is not None

    @property
    def replays(self) -> bool:
        """Whether its pictures are of another time."""
        return self.file is not None

    @property
    def lag_s(self) -> float:
        """From the end of an exposure to the arrival of its picture at the most (s)."""
        return (self.lag_ms or 0.0) / 1000
