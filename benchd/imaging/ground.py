"""The light over the bright ground of the dark square, measured on all four sides and so known across its edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.edge_line import Start, wanted_window_px
from benchd.imaging.light_field import Ground, LightField
from benchd.imaging.refusals import EdgeRefused
from benchd.imaging.region import Region
from benchd.imaging.response import PLATEAU
from benchd.imaging.rows import Floats, mean

_SAMPLES = 48  # of a region each way
_INNER = 0.2  # of the side, from the centre: dark however blurred
_OTHERWISE_PX = 12.0
_LEAST_DARK = 24  # samples, to tell light that passes the square from what the camera adds
_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class SquareLight:
    """The light over a square and its ground, and the grey value without light."""

    field: LightField
    pedestal: float

    def over(self, region: Region) -> Ground:
        """The light over one region, in the picture's orientation."""
        rows = slice(region.row, region.row + region.height)
        return Ground(self.field.over(rows, slice(region.col, region.col + region.width)), self.pedestal)


@dataclass(frozen=True, slots=True)
class SquareGround:
    """Sampled pixels of the four regions: position, light, distance beyond an edge (px)."""

    x: Floats
    y: Floats
    light: Floats
    out_px: Floats
    centre: tuple[float, float]
    side_px: float

    @classmethod
    def from_picture(
        cls,
        picture: NDArray[Any],
        regions: Sequence[Region],
        centre: tuple[float, float],
        side_px: float,
        angle_deg: float,
        table: Floats | None = None,
    ) -> SquareGround:
        """Sample `picture` (rows x columns, linearised by `table`) about the square."""
        parts = []
        for region in regions:
            down, along = max(1, region.height // _SAMPLES), max(1, region.width // _SAMPLES)
            grey = region.cut(picture)[::down, ::along]
            rows = np.arange(region.row, region.row + region.height, down, dtype=np.float64)
            columns = np.arange(region.col, region.col + region.width, along, dtype=np.float64)
            x, y = np.broadcast_arrays(columns[None, :], rows[:, None])
            light = grey.astype(np.float64) if table is None else table[grey]
            parts.append((x.ravel(), y.ravel(), light.ravel()))
        x, y, light = (np.concatenate(part) for part in zip(*parts, strict=True))
        turn = np.radians(angle_deg)
        right, below = x - centre[0], y - centre[1]
        u, v = right * np.cos(turn) + below * np.sin(turn), below * np.cos(turn) - right * np.sin(turn)
        out_px = np.maximum(np.abs(u), np.abs(v)) - 0.5 * side_px
        return cls(x, y, light, out_px, centre, side_px)

    def light_beyond(self, reach_px: float) -> SquareLight:
        """The light, fitted to the ground farther than `reach_px` from the edges."""
        beyond, within = self.out_px > reach_px, self.out_px < -reach_px
        found = SquareLight(LightField.even(), self._dark_level())
        for _ in range(_ROUNDS):
            light = self.light[beyond] - found.pedestal
            field = LightField.through(self.x[beyond], self.y[beyond], light, self.centre, self.side_px)
            found = SquareLight(field, self._pedestal(field, within))
        return found

    def _dark_level(self) -> float:
        inner = self.out_px < (_INNER - 0.5) * self.side_px
        return float(np.median(self.light[inner])) if inner.any() else float(self.light.min())

    def _pedestal(self, field: LightField, within: NDArray[np.bool_]) -> float:
        """The camera's pedestal: a square that lets some light through is brighter where more light falls on it."""
        level = self._dark_level()
        if np.count_nonzero(within) < _LEAST_DARK:
            return level
        dark, light = self.light[within], field.at(self.x[within], self.y[within])
        varies = light - mean(light)
        norm = float(varies @ varies)
        passed = float(varies @ dark) / norm if norm > 0 else 0.0
        return level - min(max(passed * mean(light), 0.0), max(level, 0.0))

    def brightest(self, reach_px: float) -> float:
        """The light of the ground beyond `reach_px` of the edges where it is brightest, noise apart."""
        beyond = self.out_px > reach_px
        return float(np.percentile(self.light[beyond], 80.0)) if beyond.any() else float(self.light.max())


def beyond_blur_px(picture: NDArray[Any], regions: Sequence[Region], table: Floats | None = None) -> float:
    """How far the blur of the most blurred of the square's edges reaches."""
    sigma = 0.0
    for region in regions:
        upright = region.upright(picture)
        try:
            sigma = max(sigma, Start.from_region(upright if table is None else table[upright]).sigma_px)
        except EdgeRefused:
            continue  # the measurement of this edge reports why
    return PLATEAU * wanted_window_px(sigma) if sigma else _OTHERWISE_PX
