"""What the camera sees of a bench: its light, the target as large as it is there, the wall's marks and bars."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd_simulators.world.lens import Optic
from benchd_simulators.world.picture import Scene
from benchd_simulators.world.strip import Bar

if TYPE_CHECKING:
    from benchd_simulators.world.world import World

MOVED_MM = 100.0
"""A wall that has moved by less has its camera where it was: lenses and adapters move the target by as much."""


class View:
    """Of one world, at the moment of asking."""

    def __init__(self, world: World) -> None:
        self._world = world

    def scene(self) -> Scene:
        """What the camera sees now."""
        world = self._world
        light = world.lamp.light() * world.filtered()
        side_um = 1000 * world.draws.quantity("target.side_mm", *world.record.target.side_mm.parts)
        target = world.record.target
        optic = world.optic()
        if optic is not None:
            light *= (2.0 / optic.f_number) ** 2
            light *= world.arrangement.light(world.room.true_distance_mm)
            side_um = world.arrangement.side_um(side_um, optic, world.carriage_um)
        return Scene(
            optic=optic,
            depth_um=world.depth_um(),
            electrons_per_s=light * world.record.lamp.electrons_per_s,
            side_um=side_um,
            turn_deg=target.turn_deg,
            transmission=target.transmission,
            off_px=world.room.square_off_px,
            pwm_level=world.lamp.level,
            pwm_hz=world.record.lamp.pwm_hz,
            marks=self.marks_px(optic, world.depth_um()),
            pixel_ratio=self._pixel_ratio(optic),
            bars=self.bars_px(optic, world.depth_um()),
            bars_left=0.0 if world.room.strip is None else world.room.strip.left,
        )

    def marks_px(self, optic: Optic | None, depth_um: float) -> tuple[tuple[float, float, float], ...]:
        """The wall's marks as the camera sees them."""
        marks = self._world.room.marks
        if marks is None or optic is None or not optic.magnification:
            return ()
        return marks.in_picture(self._wall_px_per_mm(optic, depth_um, marks.pupil_f))

    def bars_px(self, optic: Optic | None, depth_um: float) -> tuple[Bar, ...]:
        """The bars of the wall's strip as the camera sees them."""
        strip = self._world.room.strip
        if strip is None or optic is None or not optic.magnification:
            return ()
        return strip.in_picture(self._wall_px_per_mm(optic, depth_um, strip.pupil_f))

    def _wall_px_per_mm(self, optic: Optic, depth_um: float, pupil_f: float) -> float:
        """The wall's scale in the camera, whose pixel is one on the target, where the lens images the wall.

        A target out of focus is seen smaller from the pupil the farther it stands from it, its pixels with it.
        """
        pixel_um = self._world.camera.pixel_um * self._pixel_ratio(optic)
        farther = 1.0 + (depth_um - optic.sharp_um()) / (pupil_f * optic.focal_um)
        return 1000.0 * optic.magnification * farther / pixel_um

    def _pixel_ratio(self, optic: Optic | None) -> float:
        """The camera stands at the wall and goes with it: its pixel there stays, and the one on the target does not."""
        moved = self._world.room.true_distance_mm - self._world.room.home_mm
        if optic is None or not optic.magnification or abs(moved) < MOVED_MM:
            return 1.0
        home = self._world.lens_alone(distance_mm=self._world.room.home_mm)
        return 1.0 if home is None or not home.magnification else optic.magnification / home.magnification
