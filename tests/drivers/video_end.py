"""The far end of a video device, as OpenCV shows one: controls with numbers of their own, pictures at a rate."""

from __future__ import annotations

import asyncio
import math
import threading
import time
from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from benchd.devices import Identity, LinkError
from benchd.testing.rig import Hands
from benchd_drivers.capture_camera import CaptureCamera
from benchd_drivers.capture_settings import NO_CONTROL

PERIOD_S = 0.02
USUAL: Mapping[int, float] = {
    cv2.CAP_PROP_FRAME_WIDTH: 64, cv2.CAP_PROP_FRAME_HEIGHT: 48, cv2.CAP_PROP_FPS: 50,
    cv2.CAP_PROP_FOURCC: int.from_bytes(b"MJPG", "little"),
    cv2.CAP_PROP_AUTOFOCUS: 1, cv2.CAP_PROP_FOCUS: 0, cv2.CAP_PROP_AUTO_WB: 1, cv2.CAP_PROP_WB_TEMPERATURE: 4600,
    cv2.CAP_PROP_AUTO_EXPOSURE: 3, cv2.CAP_PROP_EXPOSURE: 157, cv2.CAP_PROP_GAIN: 16,
}  # fmt: skip


class VideoEnd:
    """`stuck` controls keep their value whatever they are told, `without` are missing. A set exposure shows `late`
    pictures after it was set, `scene` (rows x columns, light) at the `lamp`'s level and in the light of the `room` by a
    `curve`. While `hanging` is set a call does not come back."""

    def __init__(self, *, stuck: frozenset[int] = frozenset(), without: frozenset[int] = frozenset()) -> None:
        self._controls = {key: float(value) for key, value in USUAL.items() if key not in without}
        self._stuck = stuck
        self.late = 2
        self.scene: NDArray[np.float64] | None = None
        self.curve = 1.0
        self._lamp, self._lit_s, self.room = 1.0, 0.0, 0.0
        self.gain_s: float | None = None
        """Time constant by which its own gain goes to where pictures are as bright as with the lamp at `settled_at`."""
        self.settled_at, self.ahead_s = 1.0, 0.0
        self._noise = np.random.default_rng(20)
        self._coming: list[float] = []
        self._in_force = self._controls.get(cv2.CAP_PROP_EXPOSURE, 157.0)
        self.hanging, self._hangs = threading.Event(), threading.Event()
        self.unplugged = threading.Event()
        self.released = 0

    @property
    def lamp(self) -> float:
        return self._lamp

    @lamp.setter
    def lamp(self, level: float) -> None:
        self._lamp, self._lit_s = level, self._now_s()

    def _now_s(self) -> float:
        """Ahead of the machine's clock by what nobody waited for."""
        return time.monotonic() + self.ahead_s

    @property
    def _gain(self) -> float:
        if self.gain_s is None or not self._lamp:
            return 1.0
        way = 1.0 - math.exp(-(self._now_s() - self._lit_s) / self.gain_s)
        return float((self.settled_at / self._lamp) ** way)

    def get(self, control: int, /) -> float:
        return self._controls.get(control, NO_CONTROL)

    def set(self, control: int, value: float, /) -> bool:
        if control not in self._controls or control in self._stuck:
            return False
        self._controls[control] = min(value, 5000.0) if control == cv2.CAP_PROP_EXPOSURE else value
        if control == cv2.CAP_PROP_EXPOSURE:
            self._coming = [self._in_force] * self.late
        return True

    def grab(self) -> bool:
        while self.hanging.is_set():
            self._hangs.set()
            time.sleep(0.005)
        self._hangs.clear()
        time.sleep(PERIOD_S)
        self._in_force = self._coming.pop(0) if self._coming else self.get(cv2.CAP_PROP_EXPOSURE)
        return not self.unplugged.is_set()

    async def hang(self) -> None:
        """Return once a call hangs: one that was under way still came back."""
        self.hanging.set()
        await asyncio.to_thread(self._hangs.wait, 5.0)

    def retrieve(self) -> tuple[bool, Any]:
        """Blue, green, red: the scene, exposed so that a light of 1 is full scale in 10 ms and encoded by the curve;
        without a scene grey as the exposure in ms."""
        if self.scene is not None:
            light = self._gain * (self.scene * self.lamp + self.room) * self._in_force / 100.0 + self._noise.normal(
                0.0, 0.004, self.scene.shape
            )
            grey = np.rint(255 * np.clip(light, 0.0, 1.0) ** (1.0 / self.curve)).astype(np.uint8)
            return True, np.repeat(grey[:, :, None], 3, axis=2)
        return True, np.full((48, 64, 3), min(self._in_force / 10.0, 255.0), np.uint8)

    def release(self) -> None:
        self.released += 1


class CaptureByMemory(CaptureCamera):
    """The driver with that far end in the place of OpenCV's own."""

    end: VideoEnd

    def _open_source(self) -> tuple[VideoEnd, Identity]:
        if self.end.unplugged.is_set():
            raise LinkError("view: there is no /dev/video7.", device="view")
        return self.end, Identity(model="a camera", serial="usb-house-7-video-index0")


class VideoHands(Hands):
    """Pulls its cable, and lets a call into it hang."""

    def __init__(self, end: VideoEnd) -> None:
        self._end = end

    async def unplug(self) -> None:
        self._end.unplugged.set()

    async def plug(self) -> None:
        self._end.unplugged.clear()

    async def silence(self, seconds: float) -> None:
        if seconds:
            await self._end.hang()
        else:
            self._end.hanging.clear()
