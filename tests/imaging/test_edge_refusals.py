"""An edge that would give a wrong number gives none: five refusals, each with its code and its figures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from benchd.imaging.edge import edge_modulation
from benchd.imaging.refusals import EdgeRefused, PictureRefused

Floats = NDArray[np.float64]
Render = Callable[..., Floats]


def refusal(region: NDArray[Any], window_px: float | None = None, full_scale: int | None = None) -> EdgeRefused:
    with pytest.raises(EdgeRefused) as caught:
        edge_modulation(region, "v", 0.1, window_px, full_scale)
    return caught.value


def noisy(light: Floats, levels: float, sd: float, seed: int = 1) -> NDArray[np.uint8]:
    rng = np.random.default_rng(seed)
    return np.rint(100.0 + levels * (light - 0.15) / 0.7 + rng.normal(0.0, sd, light.shape)).astype(np.uint8)


@pytest.mark.parametrize(("swing", "accepted"), [(40.0, True), (24.0, False), (8.0, False), (0.0, False)])
def test_low_contrast(edge_light: Render, swing: float, accepted: bool) -> None:
    region = noisy(edge_light(64, 64, 5.0, 1.0), swing, 2.0)
    if accepted:
        assert edge_modulation(region, "v", 0.1).swing == pytest.approx(swing, abs=1.0)
        return
    refused = refusal(region)
    assert refused.code == "low_contrast"
    assert refused.data["swing"] == pytest.approx(swing, abs=2.0)
    assert "16 are needed" in refused.text


@pytest.mark.parametrize(("tilt", "accepted"), [(0.0, False), (0.5, False), (0.85, False), (0.95, True), (2.0, True)])
def test_too_few_cycles(edge_light: Render, tilt: float, accepted: bool) -> None:
    region = noisy(edge_light(64, 64, tilt, 1.0), 100.0, 0.5)  # 64 tan .895 deg = 1
    if accepted:
        assert edge_modulation(region, "v", 0.1).cycles >= 1
        return
    refused = refusal(region)
    assert refused.code == "too_few_cycles"
    assert refused.data["pixels_crossed"] == pytest.approx(64 * np.tan(np.radians(tilt)), abs=0.05)


@pytest.mark.parametrize(("sigma", "accepted"), [(5.0, True), (7.5, False)])
def test_too_blurred_for_the_region(edge_light: Render, sigma: float, accepted: bool) -> None:
    region = noisy(edge_light(64, 64, 3.0, sigma), 140.0, 0.5)
    if accepted:
        assert edge_modulation(region, "v", 0.05).window_px > 4.5 * sigma
        return
    refused = refusal(region)
    assert refused.code == "too_blurred"
    assert refused.data["sigma_px"] == pytest.approx(sigma, rel=0.15)


def test_too_blurred_for_the_window_of_the_sweep(edge_light: Render) -> None:
    region = noisy(edge_light(64, 100, 5.0, 4.0), 140.0, 0.5)
    assert refusal(region, window_px=12.0).code == "too_blurred"
    assert edge_modulation(region, "v", 0.05, 26.0).window_px == 26.0


def test_clipped_near_the_edge_only(edge_light: Render) -> None:
    light = edge_light(64, 100, 5.0, 1.0)
    region = np.rint(65535 * light).astype(np.uint16)
    burnt = np.minimum(region, int(0.8 * 65535))
    refused = refusal(burnt, full_scale=int(0.8 * 65535))
    assert refused.code == "clipped"
    assert int(refused.data["at_full_scale"]) > 100
    speck = region.copy()
    speck[30, 95] = 65535  # 45 px from the edge, whose window is 11
    assert edge_modulation(speck, "v", 0.1).modulation > 0.8
    speck[30:32, 55] = 0
    refused = refusal(speck)
    assert (refused.code, refused.data["at_zero"], refused.data["at_full_scale"]) == ("clipped", 2, 0)


def test_clipped_in_the_camera_before_it_was_shifted_up(edge_light: Render) -> None:
    grey = np.minimum(np.rint(4095 * 1.3 * edge_light(64, 100, 5.0, 1.0)), 4095)
    assert refusal((16 * grey).astype(np.uint16)).code == "clipped"


@pytest.mark.parametrize("shift", [-31.0, 30.0])
def test_edge_at_the_side_of_its_region(edge_light: Render, shift: float) -> None:
    refused = refusal(noisy(edge_light(64, 64, 5.0, 1.0, shift), 140.0, 0.5))
    assert refused.code in ("leaves_region", "low_contrast")
    refused = refusal(noisy(edge_light(64, 64, 5.0, 1.0, 0.75 * shift), 140.0, 0.5), window_px=11.0)
    assert refused.code == "leaves_region"
    assert refused.data["needed_px"] == 11.0


def test_a_refusal_can_name_its_side(edge_light: Render) -> None:
    named = refusal(noisy(edge_light(64, 64, 0.2, 1.0), 140.0, 0.5)).named("left")
    assert named.text.startswith("left edge: An edge tilted by 0.2")
    assert named.data["side"] == "left"
    assert isinstance(named, PictureRefused)
    assert isinstance(named, ValueError)


def test_a_frequency_that_is_none(edge_light: Render) -> None:
    region = noisy(edge_light(64, 64, 5.0, 1.0), 140.0, 0.5)
    for f in (0.0, -0.1, 1.0, float("nan")):
        with pytest.raises(ValueError, match="cycles per pixel"):
            edge_modulation(region, "v", f)
    with pytest.raises(ValueError, match="full_scale must be given"):
        edge_modulation(region.astype(np.float64), "v", 0.1)


@settings(max_examples=150, deadline=None)
@given(
    region=arrays(np.uint8, st.tuples(st.integers(1, 40), st.integers(1, 40)), elements=st.integers(0, 255)),
    orientation=st.sampled_from(["v", "h"]),
)
def test_whatever_the_picture_there_is_an_answer_or_a_refusal(region: NDArray[np.uint8], orientation: Any) -> None:
    try:
        edge = edge_modulation(region, orientation, 0.1)
    except PictureRefused:
        return
    assert np.isfinite([edge.modulation, edge.u, edge.angle_deg, edge.sigma_px]).all()
