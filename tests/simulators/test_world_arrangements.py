"""A reticle in a collimator, and a mirror before the lens: how their light is stepped, against optics texts.

What is tested steps height and slope of a ray through each surface; it is held against Newton's equation x x' = -f^2
(Born & Wolf 4.3), applied twice, and against worked examples of the trade's own arithmetic, marked as such.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from benchd_simulators.world import World, read_world
from benchd_simulators.world.arrangements import TwicePassed
from benchd_simulators.world.arrangements.collimator_reticle import CollimatorReticle
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import Quantity
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.schema import CollimatorRecord

WAVE_UM = 0.546074
LP_MM = 40.0
shipped = lru_cache(read_world)


def still(name: str, seed: int) -> World:
    return World(shipped(name), seed, 1.0, lambda: 0.0)


def exact(value: float) -> Quantity:
    return Quantity(record=value, u=0)


def reticle(collimator_mm: float = 500.0, before_lens_mm: float = 100.0) -> CollimatorReticle:
    """A collimator without errors, whose light is parallel with the carriage at 0."""
    section = CollimatorRecord(
        focal_length_mm=exact(collimator_mm), parallel_at_um=exact(0.0), before_lens_mm=exact(before_lens_mm)
    )
    return CollimatorReticle(shipped("workshop-reticle").model_copy(update={"collimator": section}), Draws(1))


def lens(f_number: float = 2.0, w040_waves: float = 0.0, focal_um: float = 50_000.0) -> Optic:
    return Optic(f_number=f_number, image_um=50_000.0, even_um=(w040_waves * WAVE_UM,), focal_um=focal_um)


def half_width_um(optic: Optic) -> float:
    peak = optic.peak_um(LP_MM)
    grid = peak + np.arange(-120.0, 120.0, 0.02)
    merit = optic.modulation(LP_MM, grid)
    beyond = np.flatnonzero(merit < merit.max() / 2) - len(grid) // 2
    return 0.01 * float(beyond[beyond > 0].min() - beyond[beyond < 0].max())


# --- a reticle in a collimator


@pytest.mark.published
@pytest.mark.parametrize("r_um", [-15_000.0, -1_700.0, 900.0, 10_000.0])
@pytest.mark.parametrize(("f", "fc", "d"), [(49.6, 500.0, 100.0), (25.0, 500.0, -40.0), (85.0, 1000.0, 300.0)])
def test_image_of_the_reticle_is_where_newton_has_it(r_um: float, f: float, fc: float, d: float) -> None:
    """Newton, twice: the collimator's image lies fc^2 / r behind its rear focus, d of which are before the lens's
    front one, and x' = -f^2 / x; the magnifications are -f / x each."""
    bench = reticle(fc, d)
    first = (1000 * fc) ** 2 / r_um
    before_lens = first - 1000 * d
    expected = -((1000 * f) ** 2) / before_lens
    assert bench.shift_um(1000 * f, r_um) == pytest.approx(expected, abs=1e-3)
    size = abs(1000 * fc / r_um * 1000 * f / before_lens)
    assert bench.magnification(1000 * f, r_um) == pytest.approx(size, rel=1e-9)
    assert bench.place_um(1000 * f, expected) == pytest.approx(r_um, abs=0.01)


def test_reticle_worked_example_and_what_it_reaches() -> None:
    """Worked by hand, no source: f 49.6, fc 500, d 100 mm, reticle 1.6935 mm out, 16.7 um shallower. 15 mm of reticle
    are 150 um at 50 mm and 37 at 25 mm, to the first order."""
    bench = reticle()
    assert bench.shift_um(49_600.0, 1693.5) == pytest.approx(-16.7, abs=0.05)
    assert bench.shift_um(49_600.0, 0.0) == pytest.approx(0.0, abs=1e-9)
    assert bench.magnification(49_600.0, 0.0) == pytest.approx(49.6 / 500)
    for sign in (-1, 1):
        assert bench.shift_um(50_000.0, sign * 15_000.0) == pytest.approx(-sign * 150, rel=0.01)
        assert bench.shift_um(25_000.0, sign * 15_000.0) == pytest.approx(-sign * 37.5, rel=0.01)


def test_carriage_farther_out_leaves_the_sensor_deeper_and_the_sensor_stands_still() -> None:
    world = still("workshop-reticle", 3)
    depth, beyond = world.depth_um(), []
    for _ in range(3):
        optic = world.optic()
        assert optic is not None
        beyond.append(float(optic.defocus_um(np.asarray(world.depth_um()), 0.0)))
        world.carriage.push(2000.0)
        assert world.depth_um() == depth
    assert beyond[0] < beyond[1] < beyond[2]
    assert beyond[2] - beyond[0] == pytest.approx(4000 * (49.6 / 500) ** 2, rel=0.02)
    for what, name in (("lens", "L-0418"), ("adapter", "ring-07")):
        assert world.hand({"do": "remove", "what": what, "id": name})["ok"]
    assert world.hand({"do": "set", "what": "indicator", "value": "base"})["ok"]
    reads = world.indicator_um()
    assert abs(reads) < 600
    world.carriage.push(3000.0)
    assert world.indicator_um() == pytest.approx(reads, abs=0.6)  # its noise is 0.08
    assert world.hand({"do": "set", "what": "indicator", "value": "collar-32"})["ok"]
    assert abs(world.indicator_um()) < 600


# --- a mirror before the lens


@pytest.mark.published
@pytest.mark.parametrize("beyond", [-300.0, -20.0, 5.0, 200.0, 900.0])
@pytest.mark.parametrize(("f", "mirror"), [(50.0, 150.0), (135.0, 60.0), (25.0, -5.0)])
def test_image_comes_back_where_newton_has_it(beyond: float, f: float, mirror: float) -> None:
    """Newton, twice: the source's image lies f^2 / x before the front focus; it comes back from 2 L farther."""
    passed = TwicePassed.of(lens(focal_um=1000 * f), 1000 * mirror)
    again = -((1000 * f) ** 2) / ((1000 * f) ** 2 / beyond - 2 * 1000 * mirror)
    assert float(passed.returns_um(np.asarray(beyond))) == pytest.approx(again, abs=1e-3)


def test_autocollimation_worked_examples() -> None:
    """Worked by hand, no source: a source in focus is imaged on itself; L 150 mm and 20 um leave 0.05 um; a detector
    12 um deeper is sharp 6.0 um before; a mirror of radius 5.7 km adds f^2 / R: 0.44 um at 50 mm, 3.2 at 135."""
    passed = TwicePassed.of(lens(), 150_000.0)
    assert float(passed.returns_um(np.asarray(0.0))) == pytest.approx(0.0, abs=1e-9)
    assert float(passed.returns_um(np.asarray(20.0))) == pytest.approx(-20.05, abs=0.003)
    assert passed.peak_um(LP_MM) == pytest.approx(50_000.0, abs=1e-3)
    assert TwicePassed.of(lens(), 150_000.0, 0.0, 12.0).peak_um(LP_MM) == pytest.approx(49_994.0, abs=0.005)
    assert TwicePassed.of(lens(), 150_000.0, 0.0, -12.0).peak_um(LP_MM) == pytest.approx(50_006.0, abs=0.005)
    for focal_mm, adds in ((50.0, 0.44), (135.0, 3.2)):
        for sign in (-1, 1):
            bent = TwicePassed.of(lens(focal_um=1000 * focal_mm), 150_000.0, sign * 1e-9 / 5.7)
            assert bent.peak_um(LP_MM) - 50_000 == pytest.approx(sign * adds, abs=0.006)


@pytest.mark.parametrize(
    ("f_number", "w040_waves", "narrower", "moves"),
    [(2.0, 0.0, 0.50, 0.0), (2.0, 1.0, 0.52, -0.1), (2.8, 1.0, 0.54, -0.4), (4.0, 1.0, 0.60, -1.5)],
)
def test_curve_is_half_as_wide_and_spherical_moves_its_peak(
    f_number: float, w040_waves: float, narrower: float, moves: float
) -> None:
    """Worked by numerical quadrature of the double pass, to the figures given. They are those of the wavefront alone:
    the mirror stands in the front focal plane. Farther off, the second order adds what Newton's equation says."""
    once, twice = (one(f_number, w040_waves) for one in (lens, lambda n, w: TwicePassed.of(lens(n, w), 0.0)))
    assert half_width_um(twice) / half_width_um(once) == pytest.approx(narrower, abs=0.006)
    assert twice.peak_um(LP_MM) - once.peak_um(LP_MM) == pytest.approx(moves, abs=0.05)
    off, beyond = TwicePassed.of(lens(f_number, w040_waves), 150_000.0).peak_um(LP_MM), once.peak_um(LP_MM) - 50_000
    assert off - twice.peak_um(LP_MM) == pytest.approx(-150_000 * beyond**2 / 50_000**2, abs=0.03)


def test_pupil_is_passed_twice() -> None:
    """Brute force: amplitude of the pupil squared on a grid, its transfer function by autocorrelation."""
    f_number, x_um, pickup = 2.8, 7.0, 5.0
    once = replace(lens(f_number, 0.3), even_um=(0.3 * WAVE_UM, -0.1 * WAVE_UM, 0.0), focus_um=(2.0,))
    passed = TwicePassed.of(once, 0.0, 0.0, pickup)
    n = 512
    rho2 = np.add.outer(((np.arange(n) + 0.5) / n * 4 - 2) ** 2, ((np.arange(n) + 0.5) / n * 4 - 2) ** 2)
    waves = 0.3 * rho2**2 - 0.1 * rho2**3
    single = np.where(rho2 <= 1, np.exp(2j * np.pi * waves), 0)
    # Source and detector are each out of focus for their own pass, and colour counts in both.
    out = -((x_um - 2.0) + (x_um + pickup - 2.0)) / (8 * f_number**2) * rho2 / WAVE_UM
    amplitude = single * single * np.exp(2j * np.pi * out)
    transfer = np.fft.ifft2(np.abs(np.fft.fft2(amplitude)) ** 2).real
    shifts = np.arange(n // 2 + 1) / n * 2  # of two pupil radii each: x is shift over diameter
    lp_mm = np.array([40.0, 100.0, 180.0])
    expected = np.interp(lp_mm * WAVE_UM * 1e-3 * f_number, shifts, transfer[: n // 2 + 1, 0] / transfer[0, 0])
    assert passed.otf(lp_mm, 50_000 + x_um) == pytest.approx(expected, abs=0.01)
    assert passed.otf_through_focus(100.0, np.array([50_000 + x_um]))[0] == pytest.approx(expected[1], abs=0.01)


def test_everywhere_on_the_travel_there_is_a_picture() -> None:
    """Light that comes back parallel, or to a focus on the lens, blurs and breaks nothing."""
    passed = TwicePassed.of(lens(), 150_000.0)
    places = [50_000.0 + x for x in (-10_000.0, 50_000 / 7, 2500e6 / 300e3, 2500e6 / 300e3 + 0.001, 20_000.0)]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for depth in places:
            assert np.abs(passed.otf(np.array([5.0, 40.0]), depth)).max() < 0.02
