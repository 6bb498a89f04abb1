"""The camera as a detector: exposure set once, target found once, every picture measured the same way."""

from __future__ import annotations

import math
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Sequence
from contextlib import aclosing
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import ClassVar, cast

from benchd.detectors.detector import Detector
from benchd.detectors.edge.answers import Answers
from benchd.detectors.edge.pictures import (
    TOO_FINE,
    OnWall,
    Rendition,
    SquareSeen,
    exposure_in,
    glance_at,
    marks_in,
    modulation_in,
    strip_in,
)
from benchd.detectors.values import Capture, Gear, Glance, Measured, Seen, Unusable
from benchd.devices import Camera, CameraSpec, Exposure, Frame
from benchd.errors import BenchdError, Refused
from benchd.files.bench_file import Target
from benchd.imaging.level import whole_periods
from benchd.imaging.square import SquareLayout

EXPOSURE_RANGE_MS = (0.1, 2000.0)
TRIAL_EXPOSURES = 8
LEAST_SHARE = 0.05

ROOM_MARGIN_PX = 2.0
LEAST_WINDOW_PX = 60.0
"""A diffraction-limited edge has long tails; a window sized by its width alone reads its modulation high, the more
so the sharper it is."""

BY_ITSELF = "The camera may change by itself what nobody has locked: {}. What that does to a sweep is not counted."
EXPOSED_OTHERWISE = "While a sweep was taken the camera's exposure or gain was not what had been set for it."


@dataclass(frozen=True, slots=True)
class Locked:
    """How every picture of a sweep is measured: edge positions, frequency in cycles per pixel, one window for all.

    `u_frequency_rel` is the relative standard uncertainty of the frequency at the target.
    """

    layout: SquareLayout
    cycles_per_px: float
    window_px: float
    u_frequency_rel: float


def rendition_of(spec: CameraSpec) -> Rendition:
    """How to read a camera's pictures. Upside down or mirrored, a vertical edge is still vertical."""
    return Rendition(spec.linear, spec.gamma, spec.orientation.startswith("turned_"))


class EdgeDetector(Detector):
    """Measures the modulation of the target's edges in camera pictures, in the analysis process."""

    name = "edge"
    device = Camera
    channels = ("v", "h")
    quantity = "Modulation"
    legends: ClassVar = {"v": "vertical edges", "h": "horizontal edges"}
    tells_blur = True
    at_most_s = 300.0  # enough for all trial exposures of the longest time
    point_s = 0.15

    def __init__(self, gear: Gear) -> None:
        super().__init__(gear)
        self.camera = cast(Camera, gear.device)
        self._rendition = rendition_of(self.camera.spec)
        self._exposure: Exposure | None = None
        self._locked: Locked | None = None
        self._answers = Answers(gear, self.camera)

    @staticmethod
    def load() -> None:
        import benchd.detectors.edge.pictures  # noqa: F401

    async def prepare(self) -> None:
        await self.expose()

    async def expose(self) -> Exposure:
        """Set the exposure so that the bright field is well below clipping; it then stays for the whole sweep.

        If the target's light is dimmed by PWM, the exposure is a whole number of periods. Raises
        BenchdError('not_found') if no exposure makes the field bright enough.
        """
        low, high = self.camera.spec.exposure_range_ms or EXPOSURE_RANGE_MS
        pulses_hz = await self._pulses_hz()
        exposure_ms = self._exposure.exposure_ms if self._exposure else min(max(20.0, low), high)
        exposure_ms = whole_periods(exposure_ms, pulses_hz, low, high)
        fraction = 0.0
        seen: list[tuple[float, float]] = []
        for _ in range(TRIAL_EXPOSURES):
            self._exposure = await self.camera.configure(exposure_ms, 1.0)
            frame = await self.camera.grab()
            judged = await self.gear.analysis.run(exposure_in, frame.data)
            if isinstance(judged, Unusable):
                raise BenchdError("device_fault", judged.text, advice="Check the camera's picture format.")
            seen.append((self._exposure.exposure_ms, judged.fraction))
            if judged.good:
                self._exposure = await self._answers.see(seen, self._exposure, pulses_hz, low, high)
                return self._exposure
            fraction = judged.fraction
            wanted = min(max(exposure_ms * min(max(judged.factor, 0.05), 20.0), low), high)
            wanted = whole_periods(wanted, pulses_hz, low, high)
            if math.isclose(wanted, exposure_ms, rel_tol=1e-3):
                break
            exposure_ms = wanted
        if fraction < LEAST_SHARE:
            raise BenchdError(
                "not_found",
                f"The picture is too dark: its bright field stands at {100 * fraction:.1f} % of full scale.",
                advice=await self._brightness_advice(),
                data={"fraction": fraction, "exposure_ms": exposure_ms},
            )
        assert self._exposure is not None
        if self._answers.exposure_locked:
            self._exposure = await self._answers.see(seen, self._exposure, pulses_hz, low, high)
        return self._exposure

    async def _brightness_advice(self) -> str:
        if self.gear.light is not None and await self.gear.light.level() == 0.0:
            return "The target's light is at level 0: turn it up."
        return "Turn the light up, open the iris, or take the cap off."

    async def _pulses_hz(self) -> float | None:
        """PWM frequency of the target's light while it is dimmed; None at full level and at zero."""
        light = self.gear.light
        if light is None or light.spec.pwm_hz is None:
            return None
        return light.spec.pwm_hz if 0.0 < await light.level() < 1.0 else None

    async def marks(self, pictures: int) -> tuple[float, float, float]:
        """How far apart the wall's marks are in sides of the square, its relative u, and how far apart in pixels, from
        so many pictures.

        Raises BenchdError('not_found') for a picture in which they cannot be measured.
        """
        return await self._on_wall(marks_in, pictures)

    async def strip(self, pictures: int) -> tuple[float, float, float]:
        """The period of the wall's strip in sides of the square, its relative u, and twice the way in pixels from the
        square's middle to the strip's farther end. Raises as `marks`."""
        return await self._on_wall(strip_in, pictures)

    async def _on_wall(self, found_in: Callable[..., OnWall | Unusable], pictures: int) -> tuple[float, float, float]:
        await self.expose()
        seen: list[float] = []
        u_noise = u_same = across_px = 0.0
        for _ in range(pictures):
            frame = await self.camera.grab()
            found = await self.gear.analysis.run(found_in, frame.data, self._rendition)
            if isinstance(found, Unusable):
                raise BenchdError("not_found", found.text, advice=found.advice)
            seen.append(found.in_sides)
            across_px, u_noise, u_same = found.across_px, max(u_noise, found.u_noise_rel), max(u_same, found.u_same_rel)
        mean = fmean(seen)
        # What the pictures scatter by beyond their noise (a wall that shakes, air that shimmers) shows here. How the
        # camera looks at the wall is the same in all of them.
        scatter = stdev(seen) / mean if pictures > 1 else 0.0
        return mean, math.hypot(max(u_noise, scatter) / math.sqrt(pictures), u_same), across_px

    async def capture(self) -> Capture:
        return _captured(await self.camera.grab())

    def check_streams(self) -> None:
        if not self.camera.spec.streams:
            raise Refused(
                "bad_request",
                "The camera has no stream of pictures with time stamps of its own, by which they could be matched to "
                "places.",
                advice="State stream_url and time_header in the bench file, or leave the mode away.",
            )

    async def stream(self) -> AsyncIterator[Capture]:
        async with aclosing(cast("AsyncGenerator[Frame, None]", self.camera.stream())) as frames:
            async for frame in frames:
                yield _captured(frame)

    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        """A rough measurement of one picture by itself: whether the target is there, and how sharp."""
        target, pixel_um = self.gear.target, self.camera.spec.pixel_um
        work = (capture.data.data, lp_mm, target.pitch_mm, pixel_um, self._rendition)
        seen = await self.gear.analysis.run(glance_at, *work)
        if isinstance(seen, Unusable):
            if seen.code == TOO_FINE:  # the same at every station
                raise Refused("bad_request", seen.text, advice="Give a lower lp_mm.")
            return seen
        return Glance(seen.modulation, seen.sigma_px, seen)

    async def settle_on(self, best: Seen, within: Sequence[Seen], lp_mm: float) -> float:
        """Fix edge positions by the sharpest glance, and the window by the blurriest one within the span."""
        sharpest, others = best.glance.seen, [capture.glance.seen for capture in within]
        self._locked = lock(self.camera.spec, self.gear.target, lp_mm, sharpest, others)
        return self._locked.u_frequency_rel

    async def measure(self, capture: Capture) -> Measured | Unusable:
        """Measure one picture of the sweep."""
        locked = self._locked
        assert locked is not None
        where = (locked.layout, locked.cycles_per_px, locked.window_px)
        found = await self.gear.analysis.run(modulation_in, capture.data.data, *where, self._rendition)
        if isinstance(found, Unusable):
            return found
        as_set = capture.data.exposure in (None, self._exposure)
        doubted = found.linear and not self._answers.as_stated
        by_itself = ", ".join(self.camera.spec.by_itself).replace("_", " ")
        flags = (
            *(() if as_set else (EXPOSED_OTHERWISE,)),
            *(self._answers.flags if found.linear else ()),
            *((BY_ITSELF.format(by_itself),) if by_itself else ()),
        )
        return Measured({"v": found.v, "h": found.h}, found.linear and not doubted, found.swing, flags)


def _captured(frame: Frame) -> Capture:
    exposed_s = 0.0 if frame.exposure is None else frame.exposure.exposure_ms / 1000.0
    return Capture(frame, frame.t_mono, frame.t_utc, exposed_s)


def lock(spec: CameraSpec, target: Target, lp_mm: float, sharpest: SquareSeen, others: Sequence[SquareSeen]) -> Locked:
    """The settings for a sweep with this sharpest picture and these others within its span."""
    window = window_px_for((sharpest, *others))
    layout = sharpest.layout
    if spec.pixel_um is not None and spec.u_pixel_um is not None:
        return Locked(layout, lp_mm * spec.pixel_um / 1000.0, window, spec.u_pixel_um / spec.pixel_um)
    u_rel = math.hypot(target.u_pitch_mm / target.pitch_mm, layout.u_side_px / layout.side_px)
    return Locked(layout, lp_mm * target.pitch_mm / layout.side_px, window, u_rel)


def window_px_for(seen: Sequence[SquareSeen]) -> float:
    """The half-width (px) of one window in which all of these can be measured."""
    # The square shifts by fractions of a pixel from picture to picture; a window without margin would refuse some.
    room = min(glance.room_px for glance in seen) - ROOM_MARGIN_PX
    sigma = max(glance.sigma_px for glance in seen)
    return min(room, max(5.0 * sigma + 6.0, LEAST_WINDOW_PX))
