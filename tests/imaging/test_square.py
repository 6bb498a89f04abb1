"""The tilted dark square: found however blurred, its side in pixels with an honest uncertainty, both orientations."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from benchd.imaging.coarse import find_dark_square
from benchd.imaging.refusals import EdgeRefused, PictureRefused
from benchd.imaging.square import cycles_per_px, find_square, measure_square

Floats = NDArray[np.float64]
Render = Callable[..., Floats]
Expose = Callable[..., NDArray[Any]]

SHAPE = (480, 640)
CENTRE = (321.8, 237.8)


@pytest.fixture(scope="module")
def lights(square_light: Render) -> dict[tuple[float, float], Floats]:
    """By (blur sigma px, tilt deg): a square of 250 px."""
    cases = [(0.8, 5.0), (0.8, -7.0), (3.0, 5.0), (10.0, 5.0), (20.0, 5.0), (40.0, 5.0)]
    return {case: square_light(SHAPE, 250.0, case[1], CENTRE, case[0]) for case in cases}


def clean(light: Floats) -> NDArray[np.uint16]:
    return np.rint(65535 * light).astype(np.uint16)


@pytest.mark.parametrize(
    ("case", "within_px"), [((0.8, 5.0), 0.01), ((0.8, -7.0), 0.01), ((3.0, 5.0), 0.02), ((10.0, 5.0), 0.1)]
)
def test_side_and_tilt_from_the_edges(
    lights: dict[tuple[float, float], Floats], case: tuple[float, float], within_px: float
) -> None:
    layout = find_square(clean(lights[case]))
    assert layout.found_by == "edges"
    assert layout.side_px == pytest.approx(250.0, abs=within_px)
    assert layout.width_px == pytest.approx(250.0, abs=1.5 * within_px)
    assert layout.height_px == pytest.approx(250.0, abs=1.5 * within_px)
    assert layout.angle_deg == pytest.approx(case[1], abs=0.01)
    assert (layout.centre_x, layout.centre_y) == pytest.approx(CENTRE, abs=0.5)
    assert [(r.side, r.orientation) for r in layout.regions] == [
        ("left", "v"),
        ("right", "v"),
        ("top", "h"),
        ("bottom", "h"),
    ]


def test_a_blur_beyond_the_edges_still_tells_where_the_square_is(lights: dict[tuple[float, float], Floats]) -> None:
    layout = find_square(clean(lights[40.0, 5.0]))
    assert layout.found_by == "area"
    assert abs(layout.side_px - 250.0) < 2.0 * layout.u_side_px
    assert layout.angle_deg == pytest.approx(5.0, abs=0.5)
    with pytest.raises(EdgeRefused) as caught:
        measure_square(clean(lights[40.0, 5.0]), layout, 0.05)
    assert caught.value.code == "too_blurred"
    assert caught.value.data["side"] == "left"


def test_uncertainty_of_the_side_is_the_scatter_found(
    lights: dict[tuple[float, float], Floats], expose: Expose
) -> None:
    rng = np.random.default_rng(4)
    layouts = [find_square(expose(lights[0.8, 5.0], rng, 5000.0, 12)) for _ in range(40)]
    errors = np.array([(layout.side_px - 250.0) / layout.u_side_px for layout in layouts])
    assert 0.5 < float(np.sqrt(np.mean(errors**2))) < 1.4
    assert all(layout.u_side_px < 0.05 for layout in layouts)


def test_rectangle_seen_as_such(lights: dict[tuple[float, float], Floats]) -> None:
    """A picture squeezed one way: the two sides disagree, and the uncertainty of their mean says so."""
    light = lights[3.0, 5.0]
    columns = np.arange(SHAPE[1])
    squeezed = np.array([np.interp(columns, (columns - 320.0) * 0.99 + 320.0, row) for row in light])
    layout = find_square(clean(squeezed))
    assert layout.height_px - layout.width_px == pytest.approx(2.5, abs=0.3)
    assert layout.u_side_px == pytest.approx(0.5 * (layout.height_px - layout.width_px), rel=1e-6)


@pytest.mark.parametrize("f", [0.05, 0.1, 0.16])
def test_both_orientations_of_a_round_blur(lights: dict[tuple[float, float], Floats], expose: Expose, f: float) -> None:
    picture = expose(lights[0.8, 5.0], np.random.default_rng(6), 20000.0, 16)
    square = measure_square(picture, find_square(picture), f)
    tilt = np.radians(5.0)
    expected = np.exp(-2.0 * (np.pi * 0.8 * f) ** 2) * np.sinc(f * np.cos(tilt)) * np.sinc(f * np.sin(tilt))
    for value, u in (square.v, square.h):
        assert (
            abs(value - expected) < 3.5 * u + 3e-4
        )  # 4 x supersampling: sinc f off by (pi f / 4)^2 / 6, half of it here
    assert square.modulation == pytest.approx(0.5 * (square.v[0] + square.h[0]))
    assert square.u == pytest.approx(0.5 * (square.v[1] ** 2 + square.h[1] ** 2) ** 0.5)
    assert square.notes == ()


def test_motion_blur_across_lowers_the_upright_edges_only(lights: dict[tuple[float, float], Floats]) -> None:
    smeared = clean(gaussian_filter1d(lights[0.8, 5.0], 2.0, axis=1, mode="nearest"))
    sharp = clean(lights[0.8, 5.0])
    layout = find_square(sharp)
    before, after = measure_square(sharp, layout, 0.1), measure_square(smeared, layout, 0.1)
    assert after.v[0] / before.v[0] == pytest.approx(np.exp(-2.0 * (np.pi * 2.0 * 0.1) ** 2), rel=0.02)
    assert after.h[0] == pytest.approx(before.h[0], abs=0.02)


def test_one_window_for_all_edges_of_a_sweep(lights: dict[tuple[float, float], Floats]) -> None:
    pictures = [clean(lights[0.8, 5.0]), clean(lights[3.0, 5.0])]
    layout = find_square(pictures[0])
    for picture in pictures:
        assert {edge.window_px for edge in measure_square(picture, layout, 0.05, 21.0).edges} == {21.0}


def test_a_picture_not_known_to_be_linear_is_labelled(lights: dict[tuple[float, float], Floats]) -> None:
    picture = clean(lights[0.8, 5.0] ** (1.0 / 2.2))
    layout = find_square(picture)
    assert measure_square(picture, layout, 0.1, linear=False).notes == ("non_linear",)
    identity = np.arange(65536.0)
    assert measure_square(picture, layout, 0.1, linear=False, table=identity).notes == ()


def test_a_lost_edge_names_its_side(lights: dict[tuple[float, float], Floats]) -> None:
    picture = clean(lights[0.8, 5.0])
    layout = find_square(picture)
    picture[:, 420:] = 65535
    with pytest.raises(EdgeRefused) as caught:
        measure_square(picture, layout, 0.1)
    assert caught.value.data["side"] == "right"
    assert caught.value.text.startswith("right edge: ")


@pytest.mark.parametrize("seed", [1, 2])
def test_a_large_frame_and_other_dark_things(square_light: Render, expose: Expose, seed: int) -> None:
    light = square_light((600, 900), 300.0, 4.0, (420.0, 290.0), 1.5)
    light[20:60, 100:130] = 0.1  # a small mark beside it
    light[-40:] = 0.1  # and the dark border of the target
    layout = find_square(expose(light, np.random.default_rng(seed), 5000.0, 8))
    assert layout.side_px == pytest.approx(300.0, abs=0.1)


def test_nothing_to_find() -> None:
    rng = np.random.default_rng(9)
    y, x = np.mgrid[0:480, 0:640]
    pictures = {
        "flat": np.full(SHAPE, 20000, dtype=np.uint16),
        "noise": rng.normal(20000.0, 200.0, SHAPE).astype(np.uint16),
        "ramp": (20000 + 20 * x).astype(np.uint16),
        "tiny": np.full((10, 10), 5, dtype=np.uint8),
        "all dark but a corner": np.where((x < 90) & (y < 90), 40000, 1000).astype(np.uint16),
    }
    for name, picture in pictures.items():
        with pytest.raises(PictureRefused) as caught:
            find_square(picture)
        assert caught.value.code in ("no_square", "square_cut"), name
        assert len(caught.value.text) > 20


def test_a_disc_is_no_square(square_light: Render) -> None:
    with pytest.raises(PictureRefused) as caught:
        find_square(clean(square_light(SHAPE, 200.0, 0.0, CENTRE, 2.0, disc=True)))
    assert caught.value.code == "no_square"


@pytest.mark.parametrize("centre", [(100.0, 240.0), (320.0, 130.0)])
def test_a_square_that_runs_out_of_the_picture(square_light: Render, centre: tuple[float, float]) -> None:
    with pytest.raises(PictureRefused) as caught:
        find_square(clean(square_light(SHAPE, 250.0, 5.0, centre, 1.0)))
    assert caught.value.code == "square_cut"


def test_a_square_turned_too_far(square_light: Render) -> None:
    picture = clean(square_light(SHAPE, 200.0, 30.0, CENTRE, 2.0))
    assert find_dark_square(picture).angle_deg == pytest.approx(30.0, abs=0.3)
    with pytest.raises(PictureRefused) as caught:
        find_square(picture)
    assert caught.value.code == "square_tilt"


def test_scale_of_the_picture() -> None:
    # a square of 1 mm seen 250 px wide: 4 um per pixel, so 40 lp/mm are 0.16 cycles per pixel
    assert cycles_per_px(40.0, 1.0, 250.0) == pytest.approx(0.16)
