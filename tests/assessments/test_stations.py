"""Where readings are taken, and the rough look that decides it."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.assessments.locate import Location, agree, least_blur_um, locate
from benchd.assessments.sampling_positions import SPAN_HWHM, STEP_HWHM, pilot, plan, wide


def test_every_pass_covers_the_span_in_an_order_of_its_own() -> None:
    hwhm = 37.0
    stations = plan(5.0, 2 * SPAN_HWHM * hwhm, STEP_HWHM * hwhm, 4, np.random.default_rng(7))
    for repeat in range(4):
        places = np.array([s.offset_um for s in stations if s.repeat == repeat])
        assert places.size == 13
        assert np.ptp(places) == pytest.approx(3.0 * hwhm)
        assert abs(places.mean() - 5.0) <= 0.5 * STEP_HWHM * hwhm + 1e-9
        assert not np.array_equal(places, np.sort(places))
        # nine at least within the window of the fit, wherever the pass was displaced to
        assert np.count_nonzero(np.abs(places - 5.0) <= 1.1 * hwhm) >= 8
    # Of 13! orders no two are the same: one that came back would have a drift come back with it.
    orders = {tuple(np.argsort([s.offset_um for s in stations if s.repeat == repeat])) for repeat in range(4)}
    assert len(orders) == 4


def test_the_passes_stand_at_phases_of_the_step_that_fill_it() -> None:
    """A scale's error with the period of the step came back in every pass, so that none of it averaged out."""
    step = 8.0
    stations = plan(0.0, 160.0, step, 64, np.random.default_rng(3))
    first = np.array([min(s.offset_um for s in stations if s.repeat == repeat) for repeat in range(64)])
    assert np.abs(first + 80.0).max() <= 0.5 * step
    # Of 64 phases drawn evenly the mean vector is 1/8 long (root mean square), of phases all alike 1.
    assert abs(np.exp(2j * np.pi * first / step).mean()) < 0.4


def test_one_pass_stands_where_it_was_asked_for() -> None:
    places = sorted(s.offset_um for s in plan(0.0, 160.0, 8.0, 1, np.random.default_rng(1)))
    assert places == pytest.approx(list(np.arange(-80.0, 80.1, 8.0)))


def test_pilot_and_wide_are_approached_from_below() -> None:
    assert list(pilot(3.0, 35.0)) == sorted(pilot(3.0, 35.0))
    found = wide(-600.0, 600.0, 85.0)
    assert list(found) == sorted(found)
    assert np.diff(found).max() <= 85.0


def test_what_was_asked_for_is_looked_at_to_both_ends() -> None:
    """The last place of a coarse look may be the only one from which the peak's far flank is seen."""
    found = wide(-600.0, 600.0, 85.0)
    assert (found[0], found[-1]) == (-600.0, 600.0)
    places = pilot(3.0, 35.0)
    assert (places[0], places[-1]) == pytest.approx((3.0 - 2.5 * 35.0, 3.0 + 2.5 * 35.0))
    assert np.diff(places) == pytest.approx(0.5 * 35.0)


@pytest.mark.parametrize("peak", [-38.0, -4.0, 0.0, 11.0, 52.0])
def test_a_peak_is_located_well_enough_to_choose_stations(peak: float) -> None:
    z = np.array(pilot(0.0, 35.0))
    found = locate(z, 0.8 * np.exp(-np.log(2.0) * ((z - peak) / 38.0) ** 2), 35.0)
    assert found is not None
    assert found.peak_um == pytest.approx(peak, abs=4.0)
    assert found.hwhm_um == pytest.approx(38.0, rel=0.15)


def test_a_peak_outside_is_not_enclosed_and_darkness_is_nothing() -> None:
    z = np.array(pilot(0.0, 35.0))
    outside = locate(z, np.exp(-np.log(2.0) * ((z - 120.0) / 38.0) ** 2), 35.0)
    assert outside is None or not outside.enclosed
    assert locate(z, np.zeros(z.size), 35.0) is None


def test_a_parabola_through_noise_does_not_run_away_from_the_bell() -> None:
    """Readings of a dim picture: peak near 0; a parabola through the four highest has its top a half-width off."""
    z = np.array(pilot(0.0, 35.25))
    value = [0.058, 0.086, 0.069, 0.581, 0.697, 0.863, 0.892, 0.461, 0.258, 0.087, 0.199]
    found = locate(z, value, 35.25)
    assert found is not None
    assert abs(found.peak_um) < 15.0
    assert 0.9 * 35.25 <= found.hwhm_um <= 2.0 * 35.25


@pytest.mark.parametrize("focus", [-600.0, -88.0, 12.0, 250.0, 900.0])
def test_the_least_blur_is_found_from_anywhere(focus: float) -> None:
    """Geometrical optics: the blur disc of an f/2 cone is as wide as half the distance from focus."""
    z = np.array(pilot(0.0, 35.25))
    found = least_blur_um(z, np.hypot(0.7, (z - focus) / 2.0 / 4.0 / 4.0))
    assert found == pytest.approx(focus, abs=1.0)


def test_few_places_or_a_blur_without_a_least_tell_nothing() -> None:
    assert least_blur_um([0.0, 1.0, 2.0], [2.0, 1.0, 2.0]) is None
    assert least_blur_um([5.0] * 6, [1.0] * 6) is None
    z = np.linspace(-80.0, 80.0, 11)
    assert least_blur_um(z, 3.0 - (z / 80.0) ** 2) is None


def test_a_side_lobe_is_not_where_edges_are_sharpest() -> None:
    lobe = Location(43.0, 33.0, 0.03, enclosed=True)
    assert not agree(lobe, 250.0, 35.25)
    assert not agree(lobe, None, 35.25)
    assert not agree(None, 250.0, 35.25)
    assert not agree(Location(250.0, 36.0, 0.8, enclosed=False), 250.0, 35.25)
    assert agree(Location(250.0, 36.0, 0.8, enclosed=True), 238.0, 35.25)
