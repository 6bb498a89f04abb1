"""Pixels of a region row by row about an edge, and the small sums that an edge is made of."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FLANK = 0.75  # where the flank of `flat_top` lies, in windows: its mean, and so the area of one half of it
FLANK_VARIANCE = 0.0625 - 0.5 / np.pi**2  # about that, in squared windows


def flat_top(d: NDArray[Any], window_px: float) -> tuple[Floats, Floats]:
    """Window and its first derivative: 1 to half of `window_px`, a raised cosine from there to 0 at `window_px`."""
    turn = np.pi * np.minimum(np.maximum(2.0 * np.abs(d) / window_px - 1.0, 0.0), 1.0)
    return 0.5 + 0.5 * np.cos(turn), -np.pi / window_px * np.sin(turn) * np.sign(d)


def gather(region: NDArray[Any], x_edge: Floats, half: int) -> tuple[Floats, Floats]:
    """Pixels of each row about its own edge, shape (rows, 2 half + 2), and the fraction left over, shape (rows,).

    Column j + half of the *differences* of the answer is j - fraction pixels right of the edge. Columns beyond
    the region repeat its last pixel; they lie outside every window that fits the region.
    """
    rows, width = region.shape
    whole = np.rint(x_edge - 0.5)
    first = whole.astype(np.intp) - half
    count = 2 * half + 2
    if int(first.min()) >= 0 and int(first.max()) + count <= width:
        # a view of every run of `count` pixels, of which one per row is copied: runs are faster than single pixels
        shape, (step_y, step_x) = (rows, width - count + 1, count), region.strides
        if region.flags.c_contiguous:
            runs = np.ndarray(shape, region.dtype, region, 0, (step_y, step_x, step_x))
        else:
            runs = as_strided(region, shape, (step_y, step_x, step_x), writeable=False)
        pixels = runs[np.arange(rows), first].astype(np.float64, copy=False)
    else:
        columns = first[:, None] + np.arange(count)
        pixels = region[np.arange(rows)[:, None], columns.clip(0, width - 1)].astype(np.float64)
    return pixels, x_edge - 0.5 - whole


def mean(values: Floats) -> float:
    """The mean, without the calls that `ndarray.mean` spends on small arrays."""
    return float(np.add.reduce(values, axis=None)) / values.size


def pixel_variance(differences: Floats) -> float:
    """Variance of one pixel from neighbour differences on a plateau (rows x columns); never below that of rounding.

    Half the variance of the differences, each column about its own mean, so that a slope of the plateau is no noise.
    """
    if differences.size < 4 or differences.shape[0] < 2:
        return 1.0 / 12.0
    spread = differences - np.add.reduce(differences, axis=0) / differences.shape[0]
    half = float(0.5 * np.vdot(spread, spread) / (differences.size - differences.shape[1]))
    return max(half, 1.0 / 12.0)
