"""A fixed sensor behind the lens, and on the carriage the reticle of a collimator before it.

The carriage counts away from collimator and lens. Farther out than `parallel_at_um` the reticle's light converges when
it comes to the lens, and its image lies shallower: the sensor, which stays where it is, is then the deeper one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar

from benchd_simulators.world.arrangements.arrangement import Arrangement, Key
from benchd_simulators.world.arrangements.pencil import Pencil
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.schema import WorldRecord


class CollimatorReticle(Arrangement):
    """Reticle, collimator, gap, lens, sensor, in the order the light meets them."""

    needs: ClassVar[Mapping[Key, str]] = {
        ("collimator",): "its focal length, where on the carriage its light is parallel, how far it is before the lens"
    }
    otherwise: ClassVar[Mapping[Key, str]] = {
        ("room", "vergence_per_m"): "the reticle's place makes it, and collimator.parallel_at_um says where it is 0"
    }
    no_wall: ClassVar[str] = "This bench has the reticle of a collimator before the lens and no wall."
    no_tape: ClassVar[str] = "There is nothing to measure with a tape: the reticle stands in a collimator."

    def __init__(self, record: WorldRecord, draws: Draws) -> None:
        super().__init__(record, draws)
        if record.collimator is None:
            raise ValueError("the arrangement collimator_reticle needs a collimator")
        one = record.collimator
        self.collimator_um = 1000 * draws.quantity("collimator.focal_length_mm", *one.focal_length_mm.parts)
        self.parallel_at_um = draws.quantity("collimator.parallel_at_um", *one.parallel_at_um.parts)
        self.before_lens_um = 1000 * draws.quantity("collimator.before_lens_mm", *one.before_lens_mm.parts)

    def must_image(self, name: str, lens: Optic) -> None:
        if self._gap_um(lens.focal_um) <= 0:
            raise HandRefused(f"The collimator would stand inside lens {name}; it must be farther before the lens.")
        camera = self.record.camera
        side_mm = self.side_um(self.record.target.side_mm.record, lens, self.parallel_at_um)
        sees_mm = min(camera.width_px, camera.height_px) * camera.pixel_um.record / 1000
        if side_mm >= sees_mm:
            raise HandRefused(
                f"Lens {name} images the reticle's square {side_mm:.2f} mm wide, and the sensor is {sees_mm:.2f} mm "
                "high: no edge of it would be seen. It takes a reticle with a smaller square."
            )

    def carried_um(self, carriage_um: float) -> float:
        """The sensor stays where it is."""
        return 0.0

    def images(self, lens: Optic, carriage_um: float) -> Optic:
        return replace(lens, image_um=lens.image_um + self.shift_um(lens.focal_um, carriage_um))

    def shift_um(self, focal_um: float, carriage_um: float) -> float:
        """How much deeper than that of parallel light the reticle's image lies; below 0 beyond `parallel_at_um`."""
        return float(self._behind_lens(self._lit_from(carriage_um), focal_um).crosses_um()) - focal_um

    def place_um(self, focal_um: float, shift_um: float) -> float:
        """Where the carriage must stand for the image to lie `shift_um` deeper: the light sent back all the way."""
        back = Pencil.from_axis(focal_um + shift_um).through(1 / focal_um).over(self._gap_um(focal_um))
        return self.parallel_at_um + float(back.through(1 / self.collimator_um).crosses_um()) - self.collimator_um

    def side_um(self, side_um: float, lens: Optic, carriage_um: float) -> float:
        return side_um * self.magnification(lens.focal_um, carriage_um)

    def magnification(self, focal_um: float, carriage_um: float) -> float:
        """Image over reticle, without its sign: the height at which the image cuts a ray from the reticle's edge."""
        image_um = focal_um + self.shift_um(focal_um, carriage_um)
        edge = self._behind_lens(Pencil.along_axis().through(1 / self.collimator_um), focal_um)
        return abs(float(edge.over(image_um).height_um))

    def tell(
        self, lens: Optic, *, carriage_um: float, depth_um: float, peak_um: float, ideal_um: float
    ) -> dict[str, float]:
        """`reticle_um`: beyond where the light is parallel; `peak_carriage_um`: where the picture is sharpest."""
        return {
            "reticle_um": carriage_um - self.parallel_at_um,
            "peak_carriage_um": self.place_um(lens.focal_um, depth_um - ideal_um),
            "sensor_over_reticle": self.magnification(lens.focal_um, carriage_um),
        }

    def _lit_from(self, carriage_um: float) -> Pencil:
        """Light of the reticle's middle as it leaves the collimator."""
        before_um = self.collimator_um + carriage_um - self.parallel_at_um
        return Pencil.from_axis(before_um).through(1 / self.collimator_um)

    def _behind_lens(self, light: Pencil, focal_um: float) -> Pencil:
        return light.over(self._gap_um(focal_um)).through(1 / focal_um)

    def _gap_um(self, focal_um: float) -> float:
        """From the collimator's rear principal plane to the lens's front one: each is its focal length from its focus.

        What lies between the principal planes of the lens itself moves the sensor with the image, and changes nothing.
        """
        return self.collimator_um + self.before_lens_um + focal_um
