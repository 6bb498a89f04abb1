"""Exposure: what the levels are, and what to multiply the exposure by."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.imaging.level import answer_slope, answer_to_light, full_scale_of, judge_exposure, tells

Render = Callable[..., NDArray[np.float64]]
OFFSET = 1600.0


def picture(light: NDArray[np.float64], exposure: float) -> NDArray[np.uint16]:
    rng = np.random.default_rng(3)
    grey = OFFSET + exposure * light * (65535 - OFFSET) + rng.normal(0.0, 200.0, light.shape)
    return np.rint(np.clip(grey, 0.0, 65535.0)).astype(np.uint16)


@pytest.fixture(scope="module")
def light(square_light: Render) -> NDArray[np.float64]:
    return square_light((480, 640), 250.0, 5.0, (320.0, 240.0), 2.0)


@pytest.mark.parametrize("exposure", [0.05, 0.3, 0.9, 1.0, 1.2])
def test_the_advised_exposure_reaches_the_wanted_level(light: NDArray[np.float64], exposure: float) -> None:
    first = judge_exposure(picture(light, exposure), offset=OFFSET)
    assert first.fraction == pytest.approx(0.7 * exposure, abs=0.01)
    assert first.dark - OFFSET == pytest.approx(0.1 * exposure * (65535 - OFFSET), abs=400.0)
    assert first.swing == pytest.approx(first.background - first.dark)
    second = judge_exposure(picture(light, exposure * first.factor), offset=OFFSET)
    assert second.good
    assert second.fraction == pytest.approx(0.7, abs=0.03)


def test_clipping_is_counted_everywhere_and_halves_the_exposure(light: NDArray[np.float64]) -> None:
    burnt = judge_exposure(picture(light, 1.6), offset=OFFSET)
    assert burnt.clipped > 100_000
    assert not burnt.good
    assert burnt.factor <= 0.5
    one = picture(light, 1.0)
    one[3, 5] = 65535
    one[7, 9] = 0
    judged = judge_exposure(one, offset=OFFSET)
    assert (judged.clipped, judged.at_zero) == (1, 1)
    assert judged.good


def test_full_scale_of_the_camera_not_of_the_file(light: NDArray[np.float64]) -> None:
    twelve = (picture(light, 1.0) // 16).astype(np.uint16)
    judged = judge_exposure(twelve, 4095, offset=OFFSET / 16)
    assert judged.fraction == pytest.approx(0.7, abs=0.01)


def test_no_light_at_all() -> None:
    dark = judge_exposure(np.full((100, 100), 1600, dtype=np.uint16), offset=OFFSET)
    assert not dark.good
    assert dark.factor == pytest.approx(700.0)


@pytest.mark.parametrize("wrong", [{"wanted": 1.0}, {"wanted": 0.0}, {"offset": 70000.0}, {"offset": -1.0}])
def test_nonsense_asked(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="is no level"):
        judge_exposure(np.zeros((10, 10), dtype=np.uint16), **wrong)


def test_twelve_bits_shifted_into_sixteen_clip_below_the_top(light: NDArray[np.float64]) -> None:
    shifted = (picture(light, 1.6) // 16 * 16).astype(np.uint16)
    assert full_scale_of(shifted) == 65520
    judged = judge_exposure(shifted, offset=OFFSET)
    assert judged.clipped > 100_000
    assert not judged.good
    burnt = np.full((20, 20), 65520, dtype=np.uint16)
    assert judge_exposure(burnt).clipped == 400


def test_full_scale_of_other_pictures() -> None:
    assert full_scale_of(np.array([[1, 255]], dtype=np.uint8)) == 255
    assert full_scale_of(np.array([[3, 4]], dtype=np.uint16)) == 65535
    assert full_scale_of(np.zeros((3, 3), dtype=np.uint16)) == 65535
    with pytest.raises(ValueError, match="full_scale must be given"):
        full_scale_of(np.zeros((3, 3)))


@pytest.mark.parametrize("slope", [1.0, 1 / 2.2, 0.0])
def test_how_grey_values_go_with_exposure_tells_the_curve(slope: float) -> None:
    seen = [(exposure_ms, 0.8 * (exposure_ms / 40.0) ** slope) for exposure_ms in (40.0, 30.0, 20.0)]
    assert answer_slope(seen) == pytest.approx(slope, abs=1e-9)


def test_pictures_near_either_end_or_too_much_alike_tell_no_curve() -> None:
    assert answer_slope([(40.0, 0.7), (36.0, 0.65)]) is None
    assert answer_slope([(40.0, 0.7), (8.0, 0.14)]) is None
    assert answer_slope([(80.0, 0.95), (40.0, 0.7)]) is None
    assert answer_slope([(40.0, 0.7)]) is None


def test_light_besides_falls_out_and_an_offset_of_a_linear_camera() -> None:
    for gamma in (1.0, 2.2):
        full, less, none = ((0.5 * light + 0.05) ** (1.0 / gamma) for light in (1.0, 0.6, 0.0))
        assert answer_to_light(full, less, none, 0.6, gamma) == pytest.approx(1.0 / gamma)
    assert answer_to_light(0.65 + 0.05, 0.65 * 0.6 + 0.05, 0.05, 0.6) == pytest.approx(1.0)
    assert answer_to_light(0.65 + 0.05, 0.65 * 0.6 ** (1.0 / 2.2) + 0.05, 0.05, 0.6, 2.2) == pytest.approx(
        0.92 / 2.2, rel=0.01
    )


def test_which_bright_fields_tell() -> None:
    assert [share for share in (0.1, 0.2, 0.3, 0.87, 0.9) if tells(share)] == [0.2, 0.3, 0.87]
    assert [share for share in (0.1, 0.2, 0.3, 0.87, 0.9) if tells(share, 0.6)] == [0.3, 0.87]
