"""Source and detector on the carriage, a mirror before the lens: the lens makes its own light parallel.

The base's depth is taken to the source. Its light goes through lens, gap, mirror, gap and lens again, and the detector
stands `pickup_um` deeper than the source. The image is as large as the pattern.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import ClassVar

import numpy as np

from benchd_simulators.world.arrangements.arrangement import Arrangement, Key
from benchd_simulators.world.arrangements.pencil import Pencil
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.lens import Floats, Optic
from benchd_simulators.world.schema import WorldRecord


@dataclass(frozen=True, slots=True)
class TwicePassed(Optic):
    """A lens passed twice by way of a mirror, in depths of the source.

    The pupil is passed twice by the same way, so `even_um` is twice the lens's own. `image_um` and `focus_um` are the
    lens's, passed once: what they do twice is stepped through. `curvature_per_um`: positive bulges towards the lens.
    """

    mirror_um: float = 0.0
    curvature_per_um: float = 0.0
    pickup_um: float = 0.0

    @classmethod
    def of(cls, lens: Optic, mirror_um: float, curvature_per_um: float = 0.0, pickup_um: float = 0.0) -> TwicePassed:
        """A lens that was traced once, with a mirror so far before its front focal point."""
        once = {one.name: getattr(lens, one.name) for one in fields(Optic)}
        once["even_um"] = tuple(2 * term for term in lens.even_um)
        return cls(**once, mirror_um=mirror_um, curvature_per_um=curvature_per_um, pickup_um=pickup_um)

    def defocus_um(self, depth_um: Floats, focus_um: float) -> Floats:
        """How much deeper than the image the detector stands, for depths of the source."""
        beyond = depth_um - self.image_um - focus_um
        answer: Floats = beyond + self.pickup_um - self.returns_um(beyond)
        return answer

    def returns_um(self, beyond_um: Floats) -> Floats:
        """How much deeper than the lens's focus the image comes back of a source `beyond_um` deeper than that."""
        gap_um, power = self.focal_um + self.mirror_um, 1 / self.focal_um
        out = Pencil.from_axis(self.focal_um + beyond_um).through(power).over(gap_um)
        back = out.through(-2 * self.curvature_per_um).over(gap_um).through(power)
        return back.crosses_um() - self.focal_um

    def sharp_um(self) -> float:
        """The source's depth where its image falls on the detector: each step takes half of the defocus away."""
        depth = self.image_um
        for _ in range(6):
            depth -= float(self.defocus_um(np.asarray(depth), 0.0)) / 2
        return depth


class Autocollimation(Arrangement):
    """Source, lens, mirror, lens, detector, in the order the light meets them."""

    needs: ClassVar[Mapping[Key, str]] = {
        ("mirror",): "how far it is before the lens, and its curvature",
        ("pickup_um",): "how much deeper than the source the detector stands",
    }
    no_wall: ClassVar[str] = "This bench has a mirror before the lens and no wall."
    no_tape: ClassVar[str] = "There is nothing to measure with a tape: the lens is passed twice, by way of a mirror."

    def __init__(self, record: WorldRecord, draws: Draws) -> None:
        super().__init__(record, draws)
        if record.mirror is None or record.pickup_um is None:
            raise ValueError("the arrangement autocollimation needs a mirror and a pickup")
        self.mirror_um = 1000 * draws.quantity("mirror.before_lens_mm", *record.mirror.before_lens_mm.parts)
        self.curvature_per_um = 1e-9 * draws.quantity("mirror.curvature_per_km", *record.mirror.curvature_per_km.parts)
        self.pickup_um = draws.quantity("pickup_um", *record.pickup_um.parts)

    def must_image(self, name: str, lens: Optic) -> None:
        if lens.focal_um + self.mirror_um <= 0:
            raise HandRefused(f"The mirror would stand inside lens {name}; it must be farther before the lens.")

    def images(self, lens: Optic, carriage_um: float) -> Optic:
        return TwicePassed.of(lens, self.mirror_um, self.curvature_per_um, self.pickup_um)

    def ideal(self, lens: Optic) -> Optic:
        """The same merit, from both passes, with a flat mirror and the detector where the source is."""
        return TwicePassed.of(lens, self.mirror_um)

    def tell(
        self, lens: Optic, *, carriage_um: float, depth_um: float, peak_um: float, ideal_um: float
    ) -> dict[str, float]:
        """`peak_carriage_um`: where the picture is sharpest; `misplaced_um`: by how much that misleads."""
        return {
            "pickup_um": self.pickup_um,
            "misplaced_um": peak_um - ideal_um,
            "peak_carriage_um": carriage_um + peak_um - depth_um,
        }
