"""Find a dark square on a bright field roughly, however blurred: centre, side and tilt from moments.

Moments instead of edges, as a symmetric blur leaves them where they are: the area gives the side, the first moments
the centre, and the fourth one, sum of w (x + iy)^4, the tilt, which an isotropic blur does not affect at all. Light
that falls off over the ground would add to the moments, so it is divided out first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.light_field import LightField
from benchd.imaging.refusals import PictureRefused
from benchd.imaging.rows import Floats, mean

_COARSE_PX = 160  # the longer side of the small picture
_LEAST_SIDE_PX = 24.0
_CORNER = 0.5**0.5  # of the side, from the centre
_SQUARENESS = -1.0 / 60.0  # sum w (x + iy)^4 over (sum w)^3 of an upright square; 0 of a disc
_REACH = 0.95  # of the side, from the centre: beyond the corners and what a blur spreads of them
_LEAST_DEPTH_SD = 6.0  # a patch that noise alone makes is two or three deep
_ROUNDS = 4
_SAMPLES = 2000  # of the ground suffice to tell its light
_BEYOND_BLUR = 3.0  # standard deviations from the edge on, its blur darkens the ground no more
_AROUND = 1.3  # of the side, from the centre: ground within this shows the light about the square


@dataclass(frozen=True, slots=True)
class CoarseSquare:
    """Centre (x, y) and side in pixels, tilt in degrees (-45..45, positive clockwise as seen), the two levels."""

    x: float
    y: float
    side_px: float
    angle_deg: float
    bright: float
    dark: float


def find_dark_square(picture: NDArray[Any]) -> CoarseSquare:
    """The largest dark square that is wholly inside `picture` (rows x columns), to a percent of its side.

    Raises PictureRefused: `no_square`, `square_cut`.
    """
    step = max(1, -(-max(picture.shape) // _COARSE_PX))
    small = _shrink(picture, step)
    below = small < _threshold(small)
    patch = _largest_patch(below)
    own = _ground(below, patch)
    x, y, side = _rough(patch)
    if side * step < _LEAST_SIDE_PX:
        raise _none(f"the largest dark patch is {side * step:.0f} px wide", side_px=side * step)
    small = _evened(small, own, patch)
    bright = dark = 0.0
    angle = 0.0
    for _ in range(_ROUNDS):
        x, y, side, angle, bright, dark = _refine(small, own, (x, y), side)
    # cell (0, 0) of the small picture stands for the mean of the pixels that went into it
    centre = _offset(step)
    return CoarseSquare(x * step + centre, y * step + centre, side * step, angle, bright, dark)


def _offset(step: int) -> float:
    return float(np.mean(_picks(step)))


def _picks(step: int) -> list[int]:
    """Which pixels of a cell represent it: two each way, so that the whole frame is never read."""
    return [0] if step == 1 else [step // 4, step // 4 + (step + 1) // 2]


def _shrink(picture: NDArray[Any], step: int) -> Floats:
    rows, columns = picture.shape[0] // step, picture.shape[1] // step
    if min(rows, columns) < 16:
        raise _none(f"the picture has only {picture.shape[1]} x {picture.shape[0]} px")
    total: Floats = np.zeros((rows, columns))
    picks = _picks(step)
    for i in picks:
        for j in picks:
            total += picture[i : i + (rows - 1) * step + 1 : step, j : j + (columns - 1) * step + 1 : step]
    return total / len(picks) ** 2


def _threshold(small: Floats) -> float:
    """The level that separates two classes with the greatest variance between them (Otsu 1979)."""
    counts, edges = np.histogram(small, bins=128)
    centres = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(counts)[:-1]
    above = counts.sum() - below
    sums = np.cumsum(counts * centres)
    usable = (below > 0) & (above > 0)
    if not usable.any() or edges[-1] <= edges[0]:
        raise _none("the picture is one flat grey")
    means_low = sums[:-1][usable] / below[usable]
    means_high = (sums[-1] - sums[:-1][usable]) / above[usable]
    between = below[usable] * above[usable] * (means_high - means_low) ** 2
    # several gaps in a row part the classes alike: take their middle
    best = np.nonzero(usable)[0][between >= between.max() * (1.0 - 1e-9)]
    return float(edges[1:-1][best].mean())


def _largest_patch(dark: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Cells (n x 2: row, column) of the largest connected dark patch that does not touch the frame's border."""
    from scipy import ndimage  # in the worker only: the daemon imports this module and must stay small

    label, patches = ndimage.label(dark)
    cells = np.bincount(label.ravel(), minlength=patches + 1)
    cells[0] = 0  # the ground
    border = np.zeros(patches + 1, dtype=bool)
    for line in (label[0], label[-1], label[:, 0], label[:, -1]):
        border[line] = True
    cut = int(cells[border].max(initial=0))
    whole = np.where(border, 0, cells)
    best = int(np.argmax(whole))
    if not whole[best]:
        if cut:
            raise PictureRefused(
                "square_cut",
                f"Every dark patch runs out of the picture, the largest over {100.0 * cut / dark.size:.0f} % of it: "
                "the square must stand whole on a bright field. Light that falls off too far looks the same.",
                {"share": cut / dark.size},
            )
        raise _none("nothing dark stands on a bright field")
    return np.argwhere(label == best)


def _cell_sd(small: Floats) -> float:
    """Noise of the small picture from its neighbours' differences; the median keeps edges out; at least rounding."""
    steps = np.abs(np.diff(small, axis=1))
    return max(float(np.median(steps)) * 1.4826 / float(np.sqrt(2.0)), 1.0 / float(np.sqrt(12.0)))


def _rough(cells: NDArray[np.intp]) -> tuple[float, float, float]:
    return float(cells[:, 1].mean()), float(cells[:, 0].mean()), float(len(cells)) ** 0.5


def _ground(below: NDArray[np.bool_], patch: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Where the square and its ground are: everything but other dark patches and three cells about them."""
    from scipy import ndimage  # in the worker only: the daemon imports this module and must stay small

    others = below.copy()
    others[patch[:, 0], patch[:, 1]] = False
    others = ndimage.binary_dilation(others, iterations=3)
    others[patch[:, 0], patch[:, 1]] = False
    return ~others


def _evened(small: Floats, own: NDArray[np.bool_], patch: NDArray[np.intp]) -> Floats:
    """`small` as even light would have shown it, by the ground about the patch and beyond its blur."""
    from scipy import ndimage  # in the worker only: the daemon imports this module and must stay small

    x, y, side = _rough(patch)
    square = np.zeros(small.shape, dtype=bool)
    square[patch[:, 0], patch[:, 1]] = True
    inside, outside = square & ~ndimage.binary_erosion(square), ndimage.binary_dilation(square) & ~square
    dy, dx = np.arange(small.shape[0])[:, None] - y, np.arange(small.shape[1])[None, :] - x
    dark = float(np.median(small[dx * dx + dy * dy <= (0.25 * side) ** 2]))
    over, under = mean(small[outside]), mean(small[inside])  # neighbours across the edge: how steep it is
    if not over > under:
        return small
    sigma = (over + under - 2.0 * dark) / ((over - under) * float(np.sqrt(2.0 * np.pi)))
    near = ndimage.binary_dilation(square, iterations=2 + int(_BEYOND_BLUR * sigma))
    ground = own & ~near & (dx * dx + dy * dy <= (_AROUND * side) ** 2)
    rows, columns = (some[:: 1 + some.size // _SAMPLES] for some in np.nonzero(ground))
    light = small[rows, columns] - dark
    field = LightField.through(columns.astype(np.float64), rows.astype(np.float64), light, (x, y), side)
    return dark + (small - dark) / field.over(slice(0, small.shape[0]), slice(0, small.shape[1]))


def _refine(
    small: Floats, own: NDArray[np.bool_], centre: tuple[float, float], side: float
) -> tuple[float, float, float, float, float, float]:
    """One round of moments about `centre`, in cells; weights run from 0 at the bright level to 1 at the dark one."""
    x, y = centre
    rows, columns = small.shape
    space = min(x, y, columns - 1 - x, rows - 1 - y)
    reach = min(_REACH * side, space)
    if reach < 1.04 * _CORNER * side:
        raise PictureRefused(
            "square_cut",
            f"The dark square's centre is {space / side:.2f} sides from the border of the picture; "
            f"{1.04 * _CORNER:.2f} are needed.",
            {"space_sides": space / side},
        )
    dy, dx = np.arange(rows)[:, None] - y, np.arange(columns)[None, :] - x
    r2 = dx * dx + dy * dy
    inside = own & (r2 <= reach**2)
    around = small[inside & (r2 > (0.94 * reach) ** 2)]
    if around.size < 8:
        raise _none(
            "there is no bright ground around the largest dark patch: something dark frames it, or the light falls off "
            f"to nothing {reach / side:.1f} sides from its centre"
        )
    bright = float(np.median(around))
    dark = float(np.median(small[r2 <= (0.25 * side) ** 2]))
    sd = _cell_sd(small)
    if bright - dark < _LEAST_DEPTH_SD * sd:
        raise _none(
            f"the largest patch is {bright - dark:.1f} grey levels darker than its ground, at a noise of {sd:.1f}",
            depth=bright - dark,
            noise=sd,
        )
    w = np.where(inside, (bright - small) / (bright - dark), 0.0)
    area = float(w.sum())
    if not area > 0:
        raise _none("the largest dark patch has no area")
    z = dx + 1j * dy
    shift = complex((w * z).sum()) / area
    fourth = complex((w * (z - shift) ** 4).sum())
    squareness = abs(fourth) / area**3 / -_SQUARENESS
    if not 0.4 < squareness < 2.0:
        raise _none(f"the largest dark patch is {squareness:.2f} times as square as a square", squareness=squareness)
    angle = float(np.degrees(np.angle(-fourth))) / 4.0
    return x + shift.real, y + shift.imag, area**0.5, angle, bright, dark


def _none(why: str, **data: float) -> PictureRefused:
    return PictureRefused("no_square", f"No dark square on a bright field was found: {why}.", data)
