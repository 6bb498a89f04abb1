"""Setting a video device and reading back what it made of it: a device takes what it likes, and says nothing.

Numbers are those of the operating system's own controls (Linux media documentation, V4L2 controls): exposure in units
of 100 us, its automatic off at 1, other automatics off at 0. OpenCV answers -1 for a control that a device has not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

from benchd.devices import DeviceError, Exposure
from benchd_drivers.capture_config import CaptureCameraConfig, Lockable

NO_CONTROL = -1.0
EXPOSURE_UNITS_PER_MS = 10.0
WITHIN = 0.02
"""How near a frame rate has to be to the one that was asked for, relative: they are ratios of whole numbers."""


class Source(Protocol):
    """As much of OpenCV's VideoCapture as is used."""

    def grab(self) -> bool: ...
    def retrieve(self) -> tuple[bool, Any]: ...
    def get(self, control: int, /) -> float: ...
    def set(self, control: int, value: float, /) -> bool: ...
    def release(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Locked:
    """What became of the settings: what the device goes on doing by itself, and whether its exposure can be set."""

    by_itself: tuple[Lockable, ...]
    exposure_settable: bool


def lock(source: Source, config: CaptureCameraConfig, device: str) -> Locked:
    """Set format, focus, white balance, gain and manual exposure.

    Raises DeviceError where the device does not take what is stated.
    """
    import cv2

    _set_format(source, config, device)
    by_itself: list[Lockable] = []
    for what, automatic, off in (
        ("focus", cv2.CAP_PROP_AUTOFOCUS, 0.0),
        ("white_balance", cv2.CAP_PROP_AUTO_WB, 0.0),
        ("exposure", cv2.CAP_PROP_AUTO_EXPOSURE, 1.0),
    ):
        if source.get(automatic) != NO_CONTROL:
            source.set(automatic, off)
            if source.get(automatic) != off:
                by_itself.append(what)  # type: ignore[arg-type]
    for key, control, value in (
        ("focus", cv2.CAP_PROP_FOCUS, config.focus),
        ("white_balance_K", cv2.CAP_PROP_WB_TEMPERATURE, config.white_balance_K),
        ("gain", cv2.CAP_PROP_GAIN, config.gain),
    ):
        if value is not None:
            _demand(source, control, value, key, device)
    settable = "exposure" not in by_itself and source.get(cv2.CAP_PROP_EXPOSURE) != NO_CONTROL
    if not settable and "exposure" not in by_itself:
        by_itself.append("exposure")
    return Locked((*by_itself, *(("gain",) if "exposure" in by_itself and config.gain is None else ())), settable)


def expose(source: Source, exposure_ms: float, device: str) -> Exposure:
    """Set the exposure; returns what is in force. Gain 1 is the gain that stands in the bench file or was found."""
    import cv2

    source.set(cv2.CAP_PROP_EXPOSURE, max(1.0, round(exposure_ms * EXPOSURE_UNITS_PER_MS)))
    units = source.get(cv2.CAP_PROP_EXPOSURE)
    if not (math.isfinite(units) and units > 0):
        raise DeviceError(
            f"{device} does not say what exposure it has set.",
            advice="Open it in another program and see whether its exposure can be set by hand.",
            device=device,
        )
    return Exposure(units / EXPOSURE_UNITS_PER_MS, 1.0)


def _set_format(source: Source, config: CaptureCameraConfig, device: str) -> None:
    """The format goes first: devices begin anew with it, and sizes depend on it."""
    import cv2

    if config.pixel_format is not None:
        code = float(int.from_bytes(config.pixel_format.encode("ascii"), "little"))
        source.set(cv2.CAP_PROP_FOURCC, code)
        found = int(source.get(cv2.CAP_PROP_FOURCC)).to_bytes(4, "little", signed=False).decode("ascii", "replace")
        if found != config.pixel_format:
            raise _not_taken(device, "pixel_format", config.pixel_format, found)
    if config.size is not None:
        for control, value in zip((cv2.CAP_PROP_FRAME_WIDTH, cv2.CAP_PROP_FRAME_HEIGHT), config.size, strict=True):
            source.set(control, float(value))
        got = size_of(source)
        if got != config.size:
            raise _not_taken(device, "size", f"{config.size[0]} x {config.size[1]}", "{} x {}".format(*got))
    if config.frames_per_s is not None:
        source.set(cv2.CAP_PROP_FPS, config.frames_per_s)
        rate = source.get(cv2.CAP_PROP_FPS)
        if not math.isclose(rate, config.frames_per_s, rel_tol=WITHIN):
            raise _not_taken(device, "frames_per_s", f"{config.frames_per_s:g}", f"{rate:g}")


def size_of(source: Source) -> tuple[int, int]:
    """Columns and rows."""
    import cv2

    return int(source.get(cv2.CAP_PROP_FRAME_WIDTH)), int(source.get(cv2.CAP_PROP_FRAME_HEIGHT))


def _demand(source: Source, control: int, value: float, key: str, device: str) -> None:
    if source.get(control) == NO_CONTROL:
        raise DeviceError(
            f"{device} has no control for {key}.",
            advice=f"Set it by hand where it has a ring or a switch, and take {key} out of the bench file.",
            device=device,
        )
    source.set(control, value)
    found = source.get(control)
    if round(found) != round(value):
        raise _not_taken(device, key, f"{value:g}", f"{found:g}")


def _not_taken(device: str, key: str, asked: str, found: str) -> DeviceError:
    return DeviceError(
        f"{device} does not take {key} {asked}: it stands at {found}.",
        advice=f"State a {key} that it has; `v4l2-ctl --all` and `--list-formats-ext` list them.",
        device=device,
    )
