"""The world's pictures: edges, pixels, noise, saturation."""

import io
from math import cos, radians, sin

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

from benchd_simulators.world import load_world
from benchd_simulators.world.camera import png
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.picture import FINE, SPAN_PX, camera_factor, dark_part, digitise, edge_table, pulsed

HARMONICS = (2 * np.arange(4000) + 1) / SPAN_PX


# exp(-2 pi^2 s^2 f^2) sinc f, closed form: edge of a Gaussian spread seen by a pixel.
@pytest.mark.published
@pytest.mark.parametrize(
    ("sigma", "values"),
    [
        (1.0, {0.1: 0.807432, 0.2: 0.424750, 0.25: 0.262184, 0.3: 0.145261, 0.5: 0.004578}),
        (0.5, {0.1: 0.936270, 0.2: 0.767914, 0.25: 0.661375, 0.3: 0.550557, 0.5: 0.185392}),
    ],
)
def test_edge_has_the_transfer_it_was_made_with(sigma: float, values: dict[float, float]) -> None:
    table = edge_table(camera_factor(HARMONICS, sigma, 0.0))
    assert table[0] == pytest.approx(0, abs=1e-9)
    assert table[-1] == pytest.approx(1, abs=1e-9)
    line = np.diff(table)
    d = (np.arange(len(line)) + 0.5) / FINE - SPAN_PX / 4
    for f, value in values.items():
        found = abs(np.sum(line * np.exp(-2j * np.pi * f * d))) / np.sinc(f / FINE)
        assert found == pytest.approx(value, abs=2e-6)


def test_square_agrees_with_brute_force() -> None:
    """Supersampled 16 times, blurred and averaged over square pixels: edges to 1e-3, corners to 1e-2."""
    size, over, sigma, turn, side, centre = 96, 16, 0.8, 5.0, 50.0, (1.3, -0.6)
    place = (np.arange(size * over) + 0.5) / over - size / 2
    x, y = place[None, :] - centre[0], place[:, None] - centre[1]
    t = radians(turn)
    u, v = x * cos(t) + y * sin(t), y * cos(t) - x * sin(t)
    inside = ((np.abs(u) < side / 2) & (np.abs(v) < side / 2)).astype(float)
    blurred = gaussian_filter(inside, sigma * over, truncate=6)
    expected = blurred.reshape(size, over, size, over).mean(axis=(1, 3))
    table = edge_table(camera_factor(HARMONICS, sigma, turn))
    found = dark_part(table, width=size, height=size, side_px=side, turn_deg=turn, centre_px=centre)
    pixel = np.arange(size) + 0.5 - size / 2
    right, down = pixel[None, :] - centre[0], pixel[:, None] - centre[1]
    along, across = right * cos(t) + down * sin(t), down * cos(t) - right * sin(t)
    corner = (np.abs(np.abs(along) - side / 2) < 4) & (np.abs(np.abs(across) - side / 2) < 4)
    assert np.abs(found - expected)[~corner].max() < 1e-3
    assert np.abs(found - expected)[corner].max() < 1e-2


def test_picture_is_sharpest_at_best_focus_and_has_the_contrast_of_the_optic() -> None:
    """The modulation of one rendered edge, read along its normal, is the optic's times the camera's."""
    optic = Optic(f_number=2.0, image_um=51_000.0, even_um=(0.1, 0.0, 0.0))
    nu, f = 40.0, 0.16
    depths = 51_000.0 + np.array([-30.0, 0.0, 10.0, 25.0])
    expected = optic.modulation(nu, depths, float(camera_factor(np.array([f]), 0.5, 5.0)[0]))
    for depth, value in zip(depths, expected, strict=True):
        lens = optic.otf(HARMONICS * 250, float(depth))
        line = np.diff(edge_table(lens * camera_factor(HARMONICS, 0.5, 5.0)))
        d = (np.arange(len(line)) + 0.5) / FINE - SPAN_PX / 4
        found = abs(np.sum(line * np.exp(-2j * np.pi * f * d))) / np.sinc(f / FINE)
        assert found == pytest.approx(value, abs=1e-4)


def test_noise_and_saturation() -> None:
    rng = np.random.default_rng(5)
    light = np.full((300, 300), 9000.0)
    kept = {"full_well_e": 20000.0, "read_noise_e": 5.0, "offset": 500, "bits": 16, "gain": 1.0}
    per_e = (65535 - 500) / 20000
    levels = (digitise(light, rng, **kept) - 500.0) / per_e  # type: ignore[arg-type]
    assert levels.mean() == pytest.approx(9000, abs=5 * np.sqrt(9025 / 90000))
    assert levels.var() == pytest.approx(9025, rel=0.03)  # 6 standard deviations of a variance of 90000 draws
    dim = (digitise(np.full((300, 300), 4.0), rng, **kept) - 500.0) / per_e  # type: ignore[arg-type]
    assert dim.mean() == pytest.approx(4, abs=5 * np.sqrt(29 / 90000))
    assert dim.var() == pytest.approx(29, rel=0.05)
    full = digitise(np.full((20, 20), 50_000.0), rng, **kept)  # type: ignore[arg-type]
    assert (full == 65535).all()


def test_pulses_show_only_in_broken_periods() -> None:
    for phase in (0.0, 0.3, 0.77):
        assert pulsed(0.4, 25.0, phase) == pytest.approx(1.0)
    assert pulsed(0.4, 0.4, 0.0) == pytest.approx(2.5)
    assert pulsed(0.4, 0.5, 0.45) == pytest.approx(0.0)
    assert np.mean([pulsed(0.4, 1.7, p) for p in np.arange(0, 1, 0.001)]) == pytest.approx(1.0, abs=1e-3)


def test_png_is_read_by_others() -> None:
    levels = np.arange(70 * 90, dtype=np.uint16).reshape(70, 90) * 10
    picture = Image.open(io.BytesIO(png(levels)))
    picture.load()
    assert picture.size == (90, 70)
    assert (np.asarray(picture) == levels).all()


def test_exposure_gain_filter_and_iris_scale_the_light() -> None:
    now = [0.0]
    world = load_world("workshop", 3, 1.0, lambda: now[0])
    truth = world.truth()["now"]
    world.carriage.push(truth["peak_depth_um"] - truth["depth_um"])
    world.lamp.set_level(0.4)

    def bright(exposure_ms: float, gain: float = 1.0) -> float:
        return float(world.camera.levels(world.camera.look(), exposure_ms, gain)[:40].mean()) - 500

    first = bright(10.0)
    assert bright(20.0) / first == pytest.approx(2, rel=0.003)
    assert bright(10.0, 2.0) / first == pytest.approx(2, rel=0.003)
    assert world.hand({"do": "set", "what": "iris", "value": 4})["ok"]
    assert bright(20.0) / first == pytest.approx(0.5, rel=0.006)
    assert world.hand({"do": "fit", "what": "filter", "id": "grey-03"})["ok"]
    assert bright(20.0) / first == pytest.approx(0.25, rel=0.01)
    world.lamp.set_level(0.0)
    assert abs(bright(20.0)) < 20
    world.lamp.set_level(0.4)
    cold = bright(50.0)
    now[0] = 3000.0
    assert bright(50.0) / cold == pytest.approx(1 - 0.03 * 0.4, rel=0.004)


def test_square_stands_near_the_centre_and_can_be_moved() -> None:
    world = load_world("workshop-collimated", 4, 1.0, lambda: 0.0)
    truth = world.truth()["now"]
    world.carriage.push(truth["peak_depth_um"] - truth["depth_um"])
    world.lamp.set_level(0.4)

    def centre() -> tuple[float, float]:
        levels = world.camera.levels(world.camera.look(), 20.0, 1.0).astype(float)
        dark = np.clip(1 - (levels - 500) / (levels[:40].mean() - 500), 0, None)
        dark[dark < 0.2] = 0
        rows, columns = np.indices(dark.shape)
        return float((columns * dark).sum() / dark.sum()) - 319.5, float((rows * dark).sum() / dark.sum()) - 239.5

    x, y = centre()
    assert abs(x) < 6
    assert abs(y) < 6
    again = centre()
    assert again != (x, y)
    assert abs(again[0] - x) < 1
    assert world.hand({"do": "set", "what": "square_off", "value": [20, -10]})["ok"]
    moved = centre()
    assert moved[0] - x == pytest.approx(20, abs=1.5)
    assert moved[1] - y == pytest.approx(-10, abs=1.5)


def test_without_a_lens_there_is_no_image() -> None:
    world = load_world("workshop", 5, 1.0, lambda: 0.0)
    assert world.hand({"do": "remove", "what": "lens"})["ok"]
    world.lamp.set_level(1.0)
    levels = world.camera.levels(world.camera.look(), 20.0, 1.0).astype(float)
    assert levels.std() < 60
    assert world.truth()["focus_error_um"] is None


def test_a_video_curve_is_that_power_of_the_light() -> None:
    rng = np.random.default_rng(1)
    light = np.repeat(np.array([[0.1, 0.5, 0.9]]), 4000, axis=0) * 1e6
    levels = digitise(light, rng, full_well_e=1e6, read_noise_e=0.0, offset=0, bits=16, gain=1.0, gamma=2.2) / 65535
    assert levels.mean(axis=0) == pytest.approx(np.array([0.1, 0.5, 0.9]) ** (1 / 2.2), abs=1e-3)


def test_a_camera_with_a_gain_of_its_own_is_as_bright_whatever_it_is_told() -> None:
    seconds = [0.0]
    world = load_world("garage", 2, 1.0, lambda: seconds[0])
    world.lamp.set_level(0.1)  # no picture reaches full well
    grey = []
    for exposure_ms in (20.0, 20.0, 20.0, 20.0, 40.0, 40.0, 40.0, 40.0, 40.0):
        seconds[0] += 1.0
        grey.append(float(world.camera.levels(world.camera.look(), exposure_ms, 1.0).mean()) / 65535)
    assert grey[3] == pytest.approx(world.record.camera.auto_gain, abs=0.05)
    assert grey[8] == pytest.approx(grey[3], abs=0.01)
    assert grey[4] > grey[3] + 0.02, "it takes a picture or two"
