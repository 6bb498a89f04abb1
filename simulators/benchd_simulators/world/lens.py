"""Lenses: their hidden errors, and the optic that a lens makes with what stands before and behind it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isinf

import numpy as np
from numpy.typing import NDArray

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.hardware import Quantity
from benchd_simulators.world.plate import Layer, aberration_um, paraxial_shift_um
from benchd_simulators.world.room import Ring
from benchd_simulators.world.schema import FocusRingRecord, GapRecord, LayerRecord, LensRecord, WorldRecord
from benchd_simulators.world.transfer import (
    between,
    blur_disc,
    by_fourier,
    conjugate_m,
    enough_samples,
    sum_through_focus,
    through_focus,
)

Floats = NDArray[np.float64]
E_LINE_NM = 546.074
COARSE_WAVES = 16.0  # above this a picture is made in one wavelength
GEOMETRIC_WAVES = 60.0  # above this it is a blur disc
MOST_KEPT = 64  # optics, before they are made anew


@dataclass(frozen=True, slots=True)
class Optic:
    """A lens as it now images: pure numbers, on axis.

    `image_um` is the paraxial image's depth at 546.074 nm; `focus_um` each wavelength's focus beside it; `even_um` the
    wavefront, um, of rho^4, rho^6, rho^8. Positive rho^4 lets the margin focus deeper. Defocus z is z rho^2 / (8 N^2).
    `focal_um` is for what stands before the lens.
    """

    f_number: float
    image_um: float
    even_um: tuple[float, ...] = (0.0,)
    nm: tuple[float, ...] = (E_LINE_NM,)
    weight: tuple[float, ...] = (1.0,)
    focus_um: tuple[float, ...] = (0.0,)
    glass_um: float = 0.0
    cover_um: float = 0.0
    conjugate_um: float = 0.0
    magnification: float = 0.0
    focal_um: float = 0.0

    def _waves(self, nm: float) -> tuple[float, ...]:
        return tuple(1000 * term / nm for term in self.even_um)

    def defocus_um(self, depth_um: Floats, focus_um: float) -> Floats:
        """How much deeper than the image of a colour, which focuses `focus_um` deeper than the mean, a depth is."""
        answer: Floats = depth_um - self.image_um - focus_um
        return answer

    def sharp_um(self) -> float:
        """The depth without defocus at 546.074 nm."""
        return self.image_um

    def _w20(self, depth_um: Floats, nm: float, focus_um: float) -> Floats:
        w20: Floats = -self.defocus_um(depth_um, focus_um) / (8 * self.f_number**2) * 1000 / nm
        return w20

    def otf_through_focus(self, lp_mm: float, depth_um: Floats) -> Floats:
        """Polychromatic transfer function at one frequency for an array of depths; negative where phase reverses."""
        depth_um = np.asarray(depth_um, dtype=np.float64)
        total = np.zeros_like(depth_um)
        for nm, weight, focus in zip(self.nm, self.weight, self.focus_um, strict=True):
            x = lp_mm * nm * 1e-6 * self.f_number
            total += weight * through_focus(x, self._waves(nm), self._w20(depth_um, nm, focus))
        return total / sum(self.weight)

    def sum_through_focus(self, lp_mm: Floats, share: Floats, depth_um: Floats) -> Floats:
        """Sum over frequencies (k,), of `share` (k,) each, of `otf_through_focus`."""
        total = np.zeros_like(depth_um)
        for nm, weight, focus in zip(self.nm, self.weight, self.focus_um, strict=True):
            x, w20 = lp_mm * nm * 1e-6 * self.f_number, self._w20(depth_um, nm, focus)
            total += weight * sum_through_focus(x, share, self._waves(nm), w20)
        return total / sum(self.weight)

    def modulation(self, lp_mm: float, depth_um: Floats, camera: float = 1.0) -> Floats:
        """The merit: modulation at `lp_mm`, both orientations alike on axis, times the camera's factor there."""
        answer: Floats = np.abs(self.otf_through_focus(lp_mm, depth_um)) * camera
        return answer

    def otf(self, lp_mm: Floats, depth_um: float) -> Floats:
        """Polychromatic transfer function at one depth for an array of frequencies, by FFT of the pupil.

        Far out of focus, where colours no longer matter, the mean wavelength alone stands for all.
        """

        lp_mm = np.asarray(lp_mm, dtype=np.float64)
        total = np.zeros_like(lp_mm)
        colours = list(zip(self.nm, self.weight, self.focus_um, strict=True))
        if abs(float(self._w20(np.asarray(depth_um), E_LINE_NM, 0.0))) > COARSE_WAVES:
            whole = sum(self.weight)
            colours = [(sum(c[0] * c[1] for c in colours) / whole, whole, sum(c[2] * c[1] for c in colours) / whole)]
        for nm, weight, focus in colours:
            x = lp_mm * (nm * 1e-6 * self.f_number)
            w20 = float(self._w20(np.asarray(depth_um), nm, focus))
            if abs(w20) > GEOMETRIC_WAVES:
                total += weight * blur_disc(w20, x)
                continue
            even = self._waves(nm)
            _, value = by_fourier(even, w20, enough_samples(even, w20), 64)
            total += weight * np.where(x < 1, between(value, np.minimum(x, 1.0) * (len(value) - 1)), 0.0)
        answer: Floats = total / sum(self.weight)
        return answer

    def peak_um(self, lp_mm: float) -> float:
        """Depth of the noise-free peak of the merit, on a dense grid (better than 0.001 um)."""
        half = 0.705 * self.f_number / lp_mm * 1000
        reach = 4 * half + 8 * self.f_number**2 * 2 * sum(abs(term) for term in self.even_um)
        centre, step = self.sharp_um(), half / 25
        for _ in range(3):
            grid = centre + np.arange(-int(reach / step) - 1, int(reach / step) + 2) * step
            value = self.modulation(lp_mm, np.asarray(grid, dtype=np.float64))
            at = min(max(int(np.argmax(value)), 1), len(grid) - 2)
            a, b, c = value[at - 1 : at + 2]
            centre = float(grid[at] + step * (a - c) / (2 * (a - 2 * b + c)))
            reach, step = 2 * step, step / 10
        return centre


def index_at(record: float, dispersion_per_nm: float, nm: float) -> float:
    return record + dispersion_per_nm * (nm - E_LINE_NM)


class Lens:
    """Every lens of a world with its drawn errors."""

    def __init__(self, record: WorldRecord, draws: Draws) -> None:
        self._record, self._draws = record, draws
        self._made: dict[tuple[object, ...], Optic] = {}

    def _true(self, name: str, lens: LensRecord, key: str) -> float:
        """A drawn property of a lens; a twin shares the draw, around its own record."""
        parts = getattr(lens, key).parts
        return self._draws.quantity(f"lens.{name}.{key}", *parts, stream=f"lens.{lens.twin_of or name}.{key}")

    def draw_all(self) -> None:
        """Draw every lens and every plate."""
        for name, lens in self._record.lenses.items():
            for key, value in lens:
                if isinstance(value, Quantity):
                    self._true(name, lens, key)
        self.layers(list(self._record.glasses), E_LINE_NM, true=True)
        self.cover(E_LINE_NM)

    def layers(self, panes: Sequence[str], nm: float, *, true: bool) -> list[Layer]:
        """The layers of plates at a wavelength, as they truly are or as recorded."""
        glasses = self._record.glasses
        return [one for pane in panes for one in self._stack(f"glass.{pane}", glasses[pane].layers, nm, true=true)]

    def cover(self, nm: float) -> list[Layer]:
        """The plates over the target as they truly are."""
        return self._stack("target.cover", self._record.target.cover, nm, true=True)

    def _stack(self, name: str, layers: Sequence[LayerRecord | GapRecord], nm: float, *, true: bool) -> list[Layer]:
        found = []
        for i, layer in enumerate(layers):
            if isinstance(layer, GapRecord):
                gap = layer.air_gap_mm
                width = self._draws.quantity(f"{name}.{i}.air_gap_mm", *gap.parts) if true else gap.record
                found.append(Layer(width * 1000, 1.0))
                continue
            thickness, index = layer.thickness_mm.record, layer.index.record
            if true:
                thickness = self._draws.quantity(f"{name}.{i}.thickness_mm", *layer.thickness_mm.parts)
                index = self._draws.quantity(f"{name}.{i}.index", *layer.index.parts)
            found.append(Layer(thickness * 1000, index_at(index, layer.dispersion_per_nm, nm)))
        return found

    def _turned_um(self, name: str, ring: FocusRingRecord, deg: float) -> float:
        """How much shallower the image lies with the ring at this angle than with it at infinity."""
        infinity = self._draws.quantity(f"{name}.infinity_deg", *ring.infinity_deg.parts)
        return (deg - infinity) * ring.um_per_deg

    def conjugate(
        self, name: str, lens: LensRecord, ring: Ring, distance_mm: float, vergence_per_m: float
    ) -> tuple[float, float, float]:
        """How much deeper the image lies for the wall's distance (or a collimator's vergence) and the ring's place.

        First with the ring where its engraving says, which is what the focus error is counted from, then what its stop
        or mark is off by beside that, which is part of the error, um; last the magnification.
        """
        focal_um = 1000 * self._true(name, lens, "focal_length_mm")
        gap_um = 1000 * self._true(name, lens, "principal_gap_mm")

        def x_um(distance: float) -> float:
            try:
                return 0.0 if isinf(distance) else focal_um * conjugate_m(focal_um, 1000 * distance, gap_um)
            except ValueError:
                raise HandRefused(f"{distance:g} mm is too near for lens {name} to make an image.") from None

        wall = x_um(distance_mm)
        magnification = wall / focal_um
        if isinf(distance_mm):
            # By vergences: 1/s' = 1/f - V, and the image lies s' - f beyond the focus.
            wall = 1e6 / (1e6 / focal_um - vergence_per_m) - focal_um
        ring_um = off_um = 0.0
        if ring == "hard_stop":
            off_um = self._true(name, lens, "stop_overrun_um")
        elif ring == "free":
            ring_um = wall
        elif isinstance(ring, dict) and "mark" in ring:
            ring_um = x_um(1000 * float(ring["mark"]))
            off_um = ring_um - x_um(1000 * float(ring["mark"]) * self._true(name, lens, "mark_ratio"))
        elif isinstance(ring, dict) and "turned_deg" in ring and lens.rings.focus is not None:
            turned_um = self._turned_um(name, lens.rings.focus, float(ring["turned_deg"]))
            engraved = [0.0, *(x_um(1000 * mark) for mark in lens.rings.focus.marks_m)]
            ring_um = min(engraved, key=lambda mark_um: abs(mark_um - turned_um))  # what its index points at
            off_um = ring_um - turned_um
        elif isinstance(ring, dict):
            ring_um = x_um(1000 * float(ring["free"]))
        return wall - ring_um, off_um, magnification

    def optic(
        self,
        name: str,
        *,
        iris: float | None = None,
        ring: Ring = "infinity",
        distance_mm: float = inf,
        vergence_per_m: float = 0.0,
        shims_um: float | None = None,
        glass: Sequence[str] = (),
    ) -> Optic:
        """The optic that lens `name` makes. `shims_um`: true thickness under it (nominal when None)."""
        stands = (name, iris, str(ring), distance_mm, vergence_per_m, shims_um, tuple(glass))
        if stands not in self._made:  # each picture and each reading asks, and a lens does not change
            if len(self._made) >= MOST_KEPT:
                self._made.clear()
            self._made[stands] = self._optic(name, iris, ring, distance_mm, vergence_per_m, shims_um, glass)
        return self._made[stands]

    def _optic(
        self,
        name: str,
        iris: float | None,
        ring: Ring,
        distance_mm: float,
        vergence_per_m: float,
        shims_um: float | None,
        glass: Sequence[str],
    ) -> Optic:
        lens = self._record.lenses[name]
        lamp = self._record.lamp
        stop = (iris or lens.f_number) / lens.f_number
        f_number = lens.f_number * stop * self._true(name, lens, "f_number_ratio")
        nominal_shims = sum(lens.shims_fitted_um)
        conjugate, off, magnification = self.conjugate(name, lens, ring, distance_mm, vergence_per_m)
        plates, cover = self.layers(glass, E_LINE_NM, true=True), self.cover(E_LINE_NM)
        axial = paraxial_shift_um([*plates, *cover])
        glass_um = paraxial_shift_um(plates)
        made_for = self.layers([lens.designed_for_glass] if lens.designed_for_glass else [], E_LINE_NM, true=False)
        wave_um = E_LINE_NM / 1000
        own = (
            self._true(name, lens, "w040_waves") * wave_um / stop**4,
            self._true(name, lens, "w060_waves") * wave_um / stop**6,
            0.0,
        )
        fitted, designed = aberration_um([*plates, *cover], f_number), aberration_um(made_for, f_number)
        colour = self._true(name, lens, "chromatic_um_per_nm")
        focus = tuple(
            colour * (nm - E_LINE_NM) + paraxial_shift_um([*self.layers(glass, nm, true=True), *self.cover(nm)]) - axial
            for nm in lamp.nm
        )
        flange = self._record.mounts[lens.mount].flange_depth_um + self._true(name, lens, "flange_error_um")
        under = nominal_shims if shims_um is None else shims_um
        return Optic(
            f_number=f_number,
            image_um=flange + nominal_shims - under + axial + conjugate + off,
            even_um=tuple(a + b - c for a, b, c in zip(own, fitted, designed, strict=True)),
            nm=tuple(lamp.nm),
            weight=tuple(lamp.weight),
            focus_um=focus,
            glass_um=glass_um,
            cover_um=axial - glass_um,
            conjugate_um=conjugate,
            magnification=magnification,
            focal_um=1000 * self._true(name, lens, "focal_length_mm"),
        )
