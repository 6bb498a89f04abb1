"""Pictures that are not linear in light: told apart, linearised where their curve is stated, and what they do else."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial
from io import BytesIO

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from benchd.assessments.peak_lines import NON_LINEAR_SHIFT_UM
from benchd.bench.sweep.sweep_data import SweepPoint
from benchd.detectors.edge.pictures import Modulation, Rendition, SquareSeen, glance_at, modulation_in
from benchd.metrology.peak import PeakFit, fit_peak
from benchd.optics.diffraction import cutoff_lp_mm, defocus_mtf
from benchd.optics.focus_depth import half_width_um
from benchd.questions.through_focus import FitOrder, fit_points
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.picture import Scene, render

NM, LP_MM, PIXEL_UM, WINDOW_PX = 546.074, 40.0, 4.0, 60.0
GAMMA = 2.2
Floats = NDArray[np.float64]
Encoder = Callable[[Floats], bytes]


def _file(values: NDArray[np.uint8] | NDArray[np.uint16], kind: str, **options: object) -> bytes:
    out = BytesIO()
    Image.fromarray(values).save(out, format=kind, **options)
    return out.getvalue()


def as_linear_png(light: Floats) -> bytes:
    """Sixteen bits, proportional to light."""
    return _file(np.rint(65535 * light).astype(np.uint16), "PNG")


def as_png(light: Floats) -> bytes:
    """Sixteen bits through a curve that the file does not mention."""
    return _file(np.rint(65535 * light ** (1 / GAMMA)).astype(np.uint16), "PNG")


def as_jpeg(light: Floats) -> bytes:
    return _file(np.rint(255 * light ** (1 / GAMMA)).astype(np.uint8), "JPEG", quality=97)


@lru_cache(maxsize=1)
def through_focus() -> tuple[tuple[float, Floats], ...]:
    """Light of a square of 2 % at f/2.8 with one wave of spherical aberration: depth of focus, and pictures about it.

    A little noise, so that the pictures' variance is one; the bright field stands at 70 % of full scale.
    """
    optic = Optic(2.8, 0.0, even_um=(NM / 1000,))
    peak = optic.peak_um(LP_MM)
    rng = np.random.default_rng(3)
    taken = []
    for offset in np.linspace(-75.0, 75.0, 17):
        scene = Scene(optic, peak + offset, 1.0, 1000.0, 5.0, 0.02)
        light = render(scene, width=420, height=420, pixel_um=PIXEL_UM, blur_px=0.5, centre_px=(0.3, -0.2))
        noisy = 0.7 * light + 1e-3 * rng.standard_normal(light.shape)
        taken.append((float(offset), np.clip(noisy, 1e-4, 1.0)))
    return tuple(taken)


@lru_cache(maxsize=8)
def best_focus(encode: Encoder, how: Rendition) -> tuple[PeakFit, bool]:
    """Fit of the modulation in the files of `through_focus`, and whether all were held to be linear."""
    pictures = [(offset, encode(light)) for offset, light in through_focus()]
    glance = glance_at(pictures[8][1], LP_MM, 1.0, None, how)
    assert isinstance(glance, SquareSeen)
    points, linear = [], True
    for idx, (offset, data) in enumerate(pictures):
        found = modulation_in(data, glance.layout, LP_MM * PIXEL_UM / 1000.0, WINDOW_PX, how)
        assert isinstance(found, Modulation)
        linear = linear and found.linear
        points.append(SweepPoint(idx, offset, offset, float(idx), 0, {"v": found.v, "h": found.h}))
    fit = fit_points(points, FitOrder(2.8, LP_MM, NM, 0.0))
    assert isinstance(fit, PeakFit)
    return fit, linear


def test_a_picture_linear_in_light_is_taken_as_it_is() -> None:
    fit, linear = best_focus(as_linear_png, Rendition())
    assert linear
    assert abs(fit.peak_um) <= 3.0 * fit.u_um + 0.1


@pytest.mark.parametrize("encode", [as_png, as_jpeg])
def test_a_stated_curve_is_taken_out(encode: Encoder) -> None:
    straight, _ = best_focus(as_linear_png, Rendition())
    fit, linear = best_focus(encode, Rendition(linear=False, gamma=GAMMA))
    assert linear
    assert abs(fit.peak_um - straight.peak_um) <= 3.0 * np.hypot(fit.u_um, straight.u_um)


@pytest.mark.parametrize(
    ("encode", "how"), [(as_png, Rendition(linear=False)), (as_jpeg, Rendition()), (as_jpeg, Rendition(linear=False))]
)
def test_an_unstated_curve_is_told_and_moves_best_focus_by_less_than_its_line(encode: Encoder, how: Rendition) -> None:
    straight, _ = best_focus(as_linear_png, Rendition())
    fit, linear = best_focus(encode, how)
    assert not linear
    moved = abs(fit.peak_um - straight.peak_um)
    assert 3.0 * np.hypot(fit.u_um, straight.u_um) < moved < NON_LINEAR_SHIFT_UM * 2.8**2


def saturating(light: Floats, reading: float) -> bytes:
    """A camera that bends from 80 % of full scale on, towards it without a cut; its bright field reads so high."""
    drive = 0.8 - 0.2 * np.log1p(-(reading - 0.8) / 0.2) if reading > 0.8 else reading
    asked = light / 0.7 * drive
    bent = 1.0 - 0.2 * np.exp(-(np.maximum(asked, 0.8) - 0.8) / 0.2)
    return as_linear_png(np.where(asked < 0.8, asked, bent))


@pytest.mark.parametrize("reading", [0.91, 0.97])
def test_a_camera_that_saturates_softly_is_budgeted_for(reading: float) -> None:
    """Best focus came out by up to 1.4 um wrong at a stated U of 0.5, and half of such sweeps bore no word of it."""
    straight, _ = best_focus(as_linear_png, Rendition())
    fit, linear = best_focus(partial(saturating, reading=reading), Rendition())
    assert not linear
    assert abs(fit.peak_um - straight.peak_um) < NON_LINEAR_SHIFT_UM * 2.8**2


def test_the_same_camera_exposed_as_the_bench_does_is_linear() -> None:
    straight, _ = best_focus(as_linear_png, Rendition())
    fit, linear = best_focus(partial(saturating, reading=0.7), Rendition())
    assert linear
    assert abs(fit.peak_um - straight.peak_um) <= 3.0 * np.hypot(fit.u_um, straight.u_um) + 0.05


def test_a_jpeg_said_to_be_linear_by_its_exponent_is() -> None:
    light = through_focus()[8][1]
    data = _file(np.rint(255 * light).astype(np.uint8), "JPEG", quality=97)
    glance = glance_at(data, LP_MM, 1.0, None, Rendition(gamma=1.0))
    assert isinstance(glance, SquareSeen)
    found = modulation_in(data, glance.layout, LP_MM * PIXEL_UM / 1000.0, WINDOW_PX, Rendition(gamma=1.0))
    assert isinstance(found, Modulation)
    assert found.linear


def moved_um(f_number: float, w040_waves: float, lp_mm: float, dark: float) -> float:
    """How far the peak moves by an exponent of 2.2: edge spread from the transfer function, encoded, transformed."""
    half = half_width_um(f_number, lp_mm)
    near = 8.0 * f_number**2 * NM / 1000 * w040_waves + half * np.linspace(-3.0, 3.0, 121)
    coarse = np.abs(defocus_mtf(lp_mm, f_number, NM, near, w040_waves=w040_waves, nodes=32))
    above = near[coarse > 0.5 * coarse.max()]
    at = near[int(np.argmax(coarse))] + 0.75 * np.ptp(above) * np.linspace(-1.0, 1.0, 15)
    period_mm = 0.3 * f_number
    k = np.arange(1, int(cutoff_lp_mm(f_number, NM) * period_mm) + 1, 2)
    transfer = np.array([defocus_mtf(n / period_mm, f_number, NM, at, w040_waves=w040_waves, nodes=40) for n in k])
    x = period_mm / 4 * np.linspace(-1.0, 1.0, 3001)
    step = 0.5 + 2.0 / np.pi * transfer.T @ (np.sin(2 * np.pi * np.outer(k, x) / period_mm) / k[:, None])
    light = dark + (1.0 - dark) * np.clip(step, 0.0, None)
    middle = 0.5 * (x[1:] + x[:-1])
    window = np.cos(np.pi * np.clip(np.abs(middle) / (period_mm / 4) - 0.5, 0.0, 0.5)) ** 2
    peaks = []
    for values in (light, light ** (1 / GAMMA)):
        spread = np.diff(values, axis=1) * window
        merit = np.abs(spread @ np.exp(-2j * np.pi * lp_mm * middle)) / spread.sum(axis=1)
        peaks.append(fit_peak(at, merit, np.full(at.size, 1e-4), half).peak_um)
    return peaks[1] - peaks[0]


@pytest.mark.parametrize(
    ("f_number", "lp_mm", "dark"),
    [(1.4, 20, 0.02), (2.8, 20, 0.0), (2.8, 40, 0.02), (2.8, 40, 0.1), (5.6, 20, 0.0), (5.6, 40, 0.02)],
)
def test_the_line_covers_what_a_video_curve_does_at_one_wave(f_number: float, lp_mm: float, dark: float) -> None:
    moved = abs(moved_um(f_number, 1.0, lp_mm, dark))
    assert 0.05 * f_number**2 < moved < NON_LINEAR_SHIFT_UM * f_number**2


def test_the_line_is_no_larger_than_the_worst_case() -> None:
    assert abs(moved_um(2.8, 1.0, 20.0, 0.0)) > 0.9 * NON_LINEAR_SHIFT_UM * 2.8**2


def test_without_spherical_aberration_nothing_moves() -> None:
    assert abs(moved_um(2.8, 0.0, 40.0, 0.02)) < 0.01
