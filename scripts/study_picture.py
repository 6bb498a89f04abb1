"""Pictures of the case's target, rendered, exposed and encoded, for the strata that go the whole way from the edge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchd.devices import Exposure, Frame
from benchd_simulators.world.camera import png
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.picture import Scene, digitise, render
from benchd_simulators.world.uneven import Uneven
from study_world import CaseWorld

WIDTH_PX, HEIGHT_PX = 356, 352  # the square with the ground that its edges and finding it ask for
FIRST_EXPOSURE_MS = 20.0


@dataclass(frozen=True, slots=True)
class PictureSpec:
    """What the detector asks of a camera."""

    exposure_range_ms: tuple[float, float]
    pixel_um: float | None = None
    linear: bool = True
    gamma: float | None = None
    orientation: str = "upright"
    by_itself: tuple[str, ...] = ()


class PictureCamera:
    """A camera that sees the true depth of the moment; its longest exposure gives the stratum's light."""

    def __init__(self, world: CaseWorld, place_um: Callable[[], float], optic: Optic) -> None:
        self._world, self._place_um, self._optic = world, place_um, optic
        light = world.stratum.light
        self.spec = PictureSpec((FIRST_EXPOSURE_MS if light.fixed else 0.1, FIRST_EXPOSURE_MS))
        self._electrons = light.electrons
        if light.spread:
            self._electrons *= 1.0 + light.spread * float(world.rng.uniform(-1.0, 1.0))
        self._exposure = Exposure(FIRST_EXPOSURE_MS, 1.0)
        off = world.record.camera.off_centre_px
        self._centre_px = world.rng.uniform(-off, off, 2)
        self._uneven = Uneven.drawn(world.record.uneven, world.draws, width=WIDTH_PX, height=HEIGHT_PX)

    async def configure(self, exposure_ms: float, gain: float) -> Exposure:
        self._exposure = Exposure(exposure_ms, gain)
        return self._exposure

    async def grab(self) -> Frame:
        world, camera, target = self._world, self._world.record.camera, self._world.record.target
        light = world.stratum.light
        depth = world.depth_um(self._place_um())
        scene = Scene(self._optic, depth, self._electrons, 1000.0 * world.side_mm, target.turn_deg, target.transmission)
        wander = camera.drift_px * world.rng.standard_normal(2)
        bright = render(
            scene,
            width=WIDTH_PX,
            height=HEIGHT_PX,
            pixel_um=world.pixel_um,
            blur_px=camera.blur_px,
            centre_px=(float(self._centre_px[0] + wander[0]), float(self._centre_px[1] + wander[1])),
        )
        bright *= self._uneven.over(WIDTH_PX, HEIGHT_PX)
        levels = digitise(
            self._electrons * self._exposure.exposure_ms / FIRST_EXPOSURE_MS * bright,
            world.rng,
            full_well_e=light.full_well_e,
            read_noise_e=camera.read_noise_e,
            offset=light.offset,
            bits=light.bits,
            gain=self._exposure.gain,
            knee=light.knee,
        )
        return Frame(png(np.ascontiguousarray(levels)), "image/png", world.seconds, "2026-01-01T00:00:00Z")
