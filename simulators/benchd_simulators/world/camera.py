"""The camera: exposes a scene and answers with the bytes of a 16-bit grey PNG."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import CameraRecord, UnevenRecord
from benchd_simulators.world.marks import passing
from benchd_simulators.world.picture import Scene, digitise, pulsed, render
from benchd_simulators.world.strip import passing_bars
from benchd_simulators.world.uneven import Uneven

AUTO_GAIN = (0.25, 16.0)
AUTO_GAIN_SHARE = 0.7
"""Of the way to the gain that would be right, in a picture."""


@dataclass(frozen=True, slots=True)
class Instant:
    """The scene at one instant and where in the picture its square stood."""

    scene: Scene
    centre_px: tuple[float, float]


class Camera:
    """`pixel_um` is the true pixel on the target; the square wanders a little between exposures."""

    def __init__(self, record: CameraRecord, uneven: UnevenRecord, draws: Draws, scene: Callable[[], Scene]) -> None:
        self.record = record
        self.uneven = Uneven.drawn(uneven, draws, width=record.width_px, height=record.height_px)
        self.pixel_um = draws.quantity("camera.pixel_um", *record.pixel_um.parts)
        self._scene = scene
        self._rng = draws.rng("camera.noise")
        self._wander = draws.rng("camera.wander")
        self._home_px = draws.rng("camera.centre").uniform(-record.off_centre_px, record.off_centre_px, 2)
        self._drift_px = np.zeros(2)
        self._gain = 1.0

    def look(self) -> Instant:
        """The scene of this instant (cheap); develop it with `develop`, in another thread if need be."""
        self._drift_px = 0.98 * self._drift_px + self.record.drift_px * self._wander.standard_normal(2)
        x, y = self._home_px + self._drift_px
        return Instant(self._scene(), (float(x), float(y)))

    def levels(self, instant: Instant, exposure_ms: float, gain: float) -> NDArray[np.uint16]:
        """The picture as an array, height x width."""
        record, scene = self.record, instant.scene
        light = render(
            scene,
            width=record.width_px,
            height=record.height_px,
            pixel_um=self.pixel_um * scene.pixel_ratio,
            blur_px=record.blur_px,
            centre_px=instant.centre_px,
        )
        if scene.marks:
            light *= passing(scene.marks, record.width_px, record.height_px)
        if scene.bars:
            light *= passing_bars(scene.bars, scene.bars_left, record.width_px, record.height_px)
        if scene.optic is not None:
            light *= self.uneven.over(record.width_px, record.height_px)
        seconds = exposure_ms / 1000
        phase = float(self._rng.uniform())
        light *= scene.electrons_per_s * seconds * pulsed(scene.pwm_level, scene.pwm_hz * seconds, phase)
        if record.auto_gain is not None:
            gain = self._gain = self._turned(self._gain, light, record.auto_gain)
        return digitise(
            light,
            self._rng,
            full_well_e=record.full_well_e,
            read_noise_e=record.read_noise_e,
            offset=record.offset,
            bits=record.bits,
            gain=gain,
            knee=record.knee,
            gamma=record.gamma,
        )

    def _turned(self, gain: float, light: NDArray[np.float64], wanted: float) -> float:
        """The gain for this picture: by what the last ones were like, most of the way to what it should be."""
        full_e = self.record.full_well_e
        mean = max(float(np.minimum(light, full_e).mean()) / full_e, 1e-6)
        low, high = AUTO_GAIN
        right: float = wanted**self.record.gamma / mean
        turned: float = gain * (right / gain) ** AUTO_GAIN_SHARE
        return min(max(turned, low), high)

    def develop(self, instant: Instant, exposure_ms: float, gain: float) -> bytes:
        """PNG bytes of the scene seen at `instant`."""
        return png(self.levels(instant, exposure_ms, gain))

    def expose(self, exposure_ms: float, gain: float = 1.0) -> bytes:
        """PNG bytes of the scene of this very instant: call it at mid exposure; the caller waits the exposure."""
        return self.develop(self.look(), exposure_ms, gain)


def png(levels: NDArray[np.uint16]) -> bytes:
    """A 16-bit grey PNG (ISO/IEC 15948), stored: noise hardly shrinks, and time matters more."""
    height, width = levels.shape
    rows = np.empty((height, 1 + 2 * width), dtype=np.uint8)
    rows[:, 0] = 0  # filter type none
    rows[:, 1:] = levels.astype(">u2").view(np.uint8).reshape(height, 2 * width)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 16, 0, 0, 0, 0)
    data = zlib.compress(rows.tobytes(), 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
