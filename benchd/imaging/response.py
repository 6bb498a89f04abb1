"""The transform of an edge's row differences at one frequency, as linear forms in the pixels, and its variance.

Both sums of the ratio are linear in the pixels, so each pixel's weight in the answer is known, and the variance of
the answer is the sum of the pixels' variances with the squares of these weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.imaging.rows import Floats, flat_top, mean, pixel_variance

PLATEAU = 0.75  # of the window: beyond it stands no edge
PLATEAU_EXTRA_PX = 12.0  # how far beyond the window a plateau is looked at, where there is room


def difference_response(cycles: float, span: float) -> float:
    """The response of a finite difference over `span` at a frequency, sinc(f span); its inverse is the edge method's
    derivative correction (ISO 12233; there a central difference over two bins of a quarter pixel: span 0.5)."""
    return float(np.sinc(cycles * span))


@dataclass(frozen=True, slots=True)
class Plateaus:
    """Levels and pixel variances left and right of the edge."""

    left: float
    right: float
    left_variance: float
    right_variance: float

    @classmethod
    def from_pixels(cls, pixels: Floats, differences: Floats, cos: float, window: float, outer: int) -> Plateaus:
        middle = pixels.shape[1] // 2 - 1  # column of the difference at the edge
        inner = min(int(np.ceil(PLATEAU * window / cos)), outer - 2)
        left = slice(middle - outer + 1, middle - inner + 1)
        right = slice(middle + inner + 1, middle + outer + 1)
        return cls(
            left=mean(pixels[:, left]),
            right=mean(pixels[:, right]),
            left_variance=pixel_variance(differences[:, left.start : left.stop - 1]),
            right_variance=pixel_variance(differences[:, right.start : right.stop - 1]),
        )

    @property
    def swing(self) -> float:
        return abs(self.right - self.left)

    @property
    def pixel_sd(self) -> float:
        return float(np.sqrt(max(self.left_variance, self.right_variance)))

    def variance_of(self, pixels: Floats) -> Floats:
        """Variance of each pixel: linear in its level between the plateaus (shot noise on a floor)."""
        per_level = (self.right_variance - self.left_variance) / (self.right - self.left)
        least = min(self.left_variance, self.right_variance)
        return np.maximum(self.left_variance + per_level * (pixels - self.left), 0.5 * least)


@dataclass(frozen=True, slots=True)
class Columns:
    """The six columns of the transform: window times cosine, sine and one, and the same with the window's derivative.

    The derivative carries the fraction of a pixel between a row's edge and its whole-numbered centre to first order;
    the fraction in the phase is exact. `matrix` has the shape (2 half + 1, 6).
    """

    matrix: Floats
    cycles: float
    cos: float

    @classmethod
    def at(cls, cycles: float, half: int, cos: float, window_px: float) -> Columns:
        d = np.arange(-half, half + 1) * cos
        window, steep = flat_top(d, window_px)
        turn = 2.0 * np.pi * cycles * d
        re, im = np.cos(turn), np.sin(turn)
        return cls(np.array([window * re, window * im, window, steep * re, steep * im, steep]).T, cycles, cos)


def ratio_of(columns: Columns, pixels: Floats, shift: Floats, weights: Floats, levels: Plateaus) -> tuple[float, float]:
    """M and u from the gathered pixels; `shift` is each row's fraction along the normal, px, shape (rows,)."""
    sums = (pixels[:, 1:] - pixels[:, :-1]) @ columns.matrix
    phase = np.exp(2j * np.pi * columns.cycles * shift)
    waves = phase * ((sums[:, 0] - shift * sums[:, 3]) - 1j * (sums[:, 1] - shift * sums[:, 4]))
    wave = complex(weights @ waves)
    swing = float(weights @ (sums[:, 2] - shift * sums[:, 5]))
    ratio = abs(wave) / abs(swing)
    # derivative of |wave|/|swing| by each difference, then by each pixel: rows x 6 by 6 x columns
    turned = phase * (wave.conjugate() / abs(wave)) * weights / abs(swing)
    whole = ratio * np.sign(swing) * weights / abs(swing)
    along = np.array([turned.real, turned.imag, -whole])
    across = np.array([turned.imag, -turned.real])
    variances = levels.variance_of(pixels)
    variance = _variance(np.concatenate([along, -shift * along]).T @ columns.matrix.T, variances)
    keep = [0, 1, 3, 4]
    swept = np.concatenate([across, -shift * across]).T @ columns.matrix[:, keep].T
    # |.| adds the noise across the phase to M^2 (Rician); it counts only where M drowns in it
    ratio = max(ratio**2 - _variance(swept, variances), 0.0) ** 0.5
    response = difference_response(columns.cycles, columns.cos)
    return ratio / response, variance**0.5 / response


def _variance(by_difference: Floats, variances: Floats) -> float:
    by_pixel = np.zeros(variances.shape)
    by_pixel[:, 1:] = by_difference
    by_pixel[:, :-1] -= by_difference
    return float(np.vdot(by_pixel * by_pixel, variances))
