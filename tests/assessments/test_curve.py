"""Readings of a sweep as they go into the fit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import j1, stdtrit

from benchd.assessments.curve import Curve, CurvePoint, points_of_picture
from benchd.metrology.peak import fit_peak

HALF_WIDTH_UM = 49.35  # 0.705 N / nu at f/2.8, 40 lp/mm


def blur_disc(offset_um: np.ndarray[tuple[int], np.dtype[np.float64]], peak_um: float) -> list[float]:
    """Geometric blur of a circular pupil, 2 J1(x) / x, half at x = 2.215089: textbook, used here as a test shape."""
    x = 2.215089 * np.abs(offset_um - peak_um) / HALF_WIDTH_UM + 1e-9
    return [float(m) for m in 2.0 * j1(x) / x]


CHANNELS = ("v", "h")


def picture(t: float, offset: float = 0.0, v: float = 0.6, h: float = 0.5, **more: float) -> tuple[CurvePoint, ...]:
    return points_of_picture({"v": (v, 0.003), "h": (h, 0.004)}, offset_um=offset, t_mono=t, **more)  # type: ignore[arg-type]


def test_orientations_are_averaged_picture_by_picture_in_the_order_taken() -> None:
    points = [*picture(3.0, 20.0, 0.4, 0.2), *picture(1.0, -10.0), *picture(2.0, 5.0, 0.8, 0.9, position_u_um=0.7)]
    curve = Curve.from_points(points, CHANNELS)
    assert curve.offset_um.tolist() == [-10.0, 5.0, 20.0]
    assert curve.value.tolist() == pytest.approx([0.55, 0.85, 0.3])
    assert curve.u.tolist() == pytest.approx([0.0025] * 3)  # sqrt(.003^2 + .004^2) / 2
    # the carriage is shared: two orientations do not know it better than one
    assert curve.position_u_um.tolist() == [0.0, 0.7, 0.0]


def test_one_channel_alone_and_pictures_that_lost_one() -> None:
    points = [*picture(1.0), *picture(2.0)[:1], *picture(3.0)]
    both, upright = Curve.from_points(points, CHANNELS), Curve.from_points(points, ["v"])
    assert (len(both), both.incomplete) == (2, 1)
    assert (len(upright), upright.incomplete) == (3, 0)
    assert upright.u.tolist() == [0.003] * 3


def test_what_cannot_be_a_curve() -> None:
    with pytest.raises(ValueError, match="read twice"):
        Curve.from_points([*picture(1.0), *picture(1.0)], CHANNELS)
    with pytest.raises(ValueError, match="at least one channel"):
        Curve.from_points(picture(1.0), [])
    for wrong in ({"value": float("nan")}, {"u": 0.0}, {"position_u_um": -1.0}, {"offset_um": float("inf")}):
        row = {"offset_um": 0.0, "position_u_um": 0.0, "value": 0.5, "u": 0.01, "t_mono": 1.0} | wrong
        with pytest.raises(ValueError, match="reading"):
            CurvePoint(channel="v", station=0, repeat=0, **row)


def sweep(rng: np.random.Generator, peak_um: float, position_sd_um: float) -> Curve:
    """A shuffled sweep of 21 stations; each picture's two orientations share its error of position."""
    points: list[CurvePoint] = []
    for k, offset in enumerate(rng.permutation(np.linspace(-75.0, 75.0, 21))):
        m = blur_disc(np.array([offset + rng.normal(0.0, position_sd_um)]), peak_um)[0]
        channels = {name: (0.8 * m + rng.normal(0.0, 0.004), 0.004) for name in ("v", "h")}
        points += points_of_picture(channels, offset_um=float(offset), t_mono=float(k), position_u_um=position_sd_um)
    return Curve.from_points(points, CHANNELS)


@pytest.mark.parametrize("position_sd_um", [0.0, 1.4])
def test_the_mean_curve_gives_an_honest_interval(position_sd_um: float) -> None:
    rng = np.random.default_rng(17)
    held = 0
    for _ in range(400):
        truth = rng.uniform(-10.0, 10.0)
        curve = sweep(rng, truth, position_sd_um)
        fit = fit_peak(curve.offset_um, curve.value, curve.u, HALF_WIDTH_UM, position_u_um=position_sd_um)
        held += bool(abs(fit.peak_um - truth) <= stdtrit(fit.dof, 0.975) * fit.u_um)
    # 95 % of 400 within three standard deviations of such a count (4.4)
    assert 367 <= held <= 393
