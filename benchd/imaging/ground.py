"""The light over the dark square's bright ground, looked at on all four sides and so known across its edges."""

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
from benchd.imaging.rows import Floats

_SAMPLES = 48  # of a region each way
_INNER = 0.2  # of the side, from the centre: dark however blurred
_OTHERWISE_PX = 12.0


@dataclass(frozen=True, slots=True)
class SquareGround:
    """A comb of pixels of the four regions: where they are, their light, how far out they lie beyond an edge (px)."""

    x: Floats
    y: Floats
    light: Floats
    out_px: Floats
    centre: tuple[float, float]
    side_px: float
    pedestal: float
    blur_reach_px: float

    @classmethod
    def of(
        cls,
        picture: NDArray[Any],
        regions: Sequence[Region],
        centre: tuple[float, float],
        side_px: float,
        angle_deg: float,
        table: Floats | None = None,
    ) -> SquareGround:
        """Look at `picture` (rows x columns, by `table` in light) about the square that stands there."""
        parts, sigma = [], 0.0
        for region in regions:
            down, along = max(1, region.height // _SAMPLES), max(1, region.width // _SAMPLES)
            grey = region.cut(picture)[::down, ::along]
            rows = np.arange(region.row, region.row + region.height, down, dtype=np.float64)
            columns = np.arange(region.col, region.col + region.width, along, dtype=np.float64)
            x, y = np.broadcast_arrays(columns[None, :], rows[:, None])
            light = grey.astype(np.float64) if table is None else table[grey]
            parts.append((x.ravel(), y.ravel(), light.ravel()))
            upright = region.upright(picture)
            try:
                sigma = max(sigma, Start.of(upright if table is None else table[upright]).sigma_px)
            except EdgeRefused:
                continue  # who measures the edge says why
        x, y, light = (np.concatenate(part) for part in zip(*parts, strict=True))
        turn = np.radians(angle_deg)
        right, below = x - centre[0], y - centre[1]
        u, v = right * np.cos(turn) + below * np.sin(turn), below * np.cos(turn) - right * np.sin(turn)
        out_px = np.maximum(np.abs(u), np.abs(v)) - 0.5 * side_px
        inner = out_px < (_INNER - 0.5) * side_px
        pedestal = float(np.median(light[inner])) if inner.any() else float(light.min())
        reach = PLATEAU * wanted_window_px(sigma) if sigma else _OTHERWISE_PX
        return cls(x, y, light, out_px, centre, side_px, pedestal, reach)

    def field(self, reach_px: float | None = None) -> LightField:
        """The light as it falls on what lies beyond `reach_px` of the edges (None: beyond their blur)."""
        beyond = self.out_px > (self.blur_reach_px if reach_px is None else reach_px)
        light = self.light[beyond] - self.pedestal
        return LightField.through(self.x[beyond], self.y[beyond], light, self.centre, self.side_px)

    def brightest(self, reach_px: float | None = None) -> float:
        """The light of the ground where it is brightest, noise apart."""
        beyond = self.out_px > (self.blur_reach_px if reach_px is None else reach_px)
        return float(np.percentile(self.light[beyond], 80.0)) if beyond.any() else float(self.light.max())

    def over(self, region: Region, field: LightField) -> Ground:
        """`field` over one region, in the picture's orientation."""
        rows = slice(region.row, region.row + region.height)
        return Ground(field.over(rows, slice(region.col, region.col + region.width)), self.pedestal)
