"""A collimator's draw tube: the reticle at its end, where a person sets, reads and locks it.

As light is stepped through: reticle, the collimator's lens, the gap to where lenses and flats stand. A flat sends back
light that meets it square, and square to a bulging flat is light that converges as if to its centre behind it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from benchd_simulators.world.arrangements.pencil import Pencil
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.fitting import named

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchd_simulators.world.drawing import Draws
    from benchd_simulators.world.schema import FlatRecord, TubeRecord


class Tube:
    """Places in um of the reticle beyond the focus as it is at the reference temperature, away from the lens."""

    def __init__(self, record: TubeRecord, flats: Mapping[str, FlatRecord], draws: Draws) -> None:
        self.record, self._flats, self._draws = record, flats, draws
        self._focal_um = 1000 * draws.quantity("tube.focal_length_mm", *record.focal_length_mm.parts)
        self._parallel_at_um = draws.quantity("tube.parallel_at_um", *record.parallel_at_um.parts)
        self._drift_um_per_K = draws.quantity("tube.drift_um_per_K", *record.drift_um_per_K.parts)
        for name, flat in flats.items():
            draws.quantity(f"flat.{name}.sag_um", *flat.sag_um.parts)
        self._sense = 1.0 if record.grows == "away" else -1.0
        self._rng = draws.rng("tube.person")
        self.beyond_um = 0.0
        self.flat: str | None = None

    def leave_at(self, vergence_per_m: float, delta_K: float) -> None:
        """Where it stands that light has this vergence where lenses stand, positive where it diverges."""
        self.beyond_um = self._drifted_um(delta_K) + self._place_of(vergence_per_m)

    def vergence_per_m(self, delta_K: float) -> float:
        """Of the light where lenses stand, positive where it diverges."""
        before_um = self._focal_um + self.beyond_um - self._drifted_um(delta_K)
        light = Pencil.from_axis(before_um).through(1 / self._focal_um).over(1000 * self.record.before_lens_mm)
        return 1e6 * float(light.slope / light.height_um)

    def hold(self, flat: object) -> None:
        """A flat before the collimator, or none (`away`)."""
        places = ["away", *self._flats]
        if flat not in places:
            raise HandRefused(f"A flat before the collimator: {named(places)}; there is no {flat!r}.")
        self.flat = None if flat == "away" else str(flat)

    def autocollimate(self, delta_K: float) -> None:
        """Set it until the reticle's own image is sharpest, as well as a person sees that."""
        if self.flat is None:
            raise HandRefused("No flat stands before the collimator; put one there first: set flat.")
        self.leave_at(self.curvature_per_m(self.flat), delta_K)
        self.beyond_um += self.record.setting_um * float(self._rng.standard_normal())

    def curvature_per_m(self, flat: str) -> float:
        """Vergence of light that meets the flat square: it converges on the centre of one that bulges towards it."""
        record = self._flats[flat]
        sag_um = self._draws.quantity(f"flat.{flat}.sag_um", *record.sag_um.parts)
        return -8.0 * sag_um / record.over_mm**2  # 1 / R = 8 s / D^2; um / mm^2 is 1/m

    def set_to(self, reads_mm: float) -> None:
        """Lock it where the scale reads so much, as well as a person reads it."""
        low, high = self.record.travel_um
        if not low <= 1000 * reads_mm <= high:
            raise HandRefused(f"The tube's scale goes from {low / 1000:g} to {high / 1000:g} mm, not to {reads_mm:g}.")
        self.beyond_um = self._sense * (1000 * reads_mm - self._parallel_at_um - self._misread_um())

    def read(self) -> dict[str, Any]:
        """What a person reads off its scale."""
        true_um = self._parallel_at_um + self._sense * self.beyond_um
        return {"tube_mm": round((true_um + self._misread_um()) / 1000, 4)}

    def _misread_um(self) -> float:
        return self.record.reading_um * float(self._rng.standard_normal())

    def _drifted_um(self, delta_K: float) -> float:
        return self._drift_um_per_K * delta_K

    def _place_of(self, vergence_per_m: float) -> float:
        """The reticle's place beyond the focus of light, followed back from where lenses stand."""
        at_lens = Pencil(np.ones(()), np.asarray(1e-6 * vergence_per_m))
        back = at_lens.over(-1000 * self.record.before_lens_mm).through(-1 / self._focal_um)
        return -float(back.crosses_um()) - self._focal_um
