"""A camera that lies on its side: what the bench calls an upright edge is one, however the picture shows it."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter1d

from benchd.detectors.edge.detector import rendition_of
from benchd.detectors.edge.pictures import Modulation, SquareSeen, glance_at, modulation_in
from benchd.devices import CameraSpec
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.picture import Scene, render


def upright_picture() -> NDArray[np.float64]:
    """The square as seen upright, shaken sideways by some pixels: upright edges are blurred, level ones are not."""
    scene = Scene(Optic(2.8, 0.0), 0.0, 1.0, 1000.0, 5.0, 0.02)
    light = render(scene, width=440, height=420, pixel_um=4.0, blur_px=0.5, centre_px=(0.0, 0.0))
    shaken: NDArray[np.float64] = gaussian_filter1d(light, 1.5, axis=1)
    return 0.7 * shaken + 1e-3 * np.random.default_rng(8).standard_normal(light.shape)


SHOWN = {
    "upright": lambda picture: picture,
    "upside_down": lambda picture: np.rot90(picture, 2),
    "mirrored": np.fliplr,
    "mirrored_upside_down": lambda picture: np.rot90(np.fliplr(picture), 2),
    "turned_left": lambda picture: np.rot90(picture, 1),
    "turned_right": lambda picture: np.rot90(picture, -1),
}


@pytest.mark.parametrize("orientation", SHOWN)
def test_channels_are_the_benchs_whichever_way_the_camera_lies(orientation: str) -> None:
    picture = np.ascontiguousarray(SHOWN[orientation](upright_picture()))
    out = BytesIO()
    Image.fromarray(np.rint(65535 * np.clip(picture, 0.0, 1.0)).astype(np.uint16)).save(out, format="PNG")
    spec = CameraSpec(size=None, linear=True, hardware_time=False, lockable=False, orientation=orientation)
    glance = glance_at(out.getvalue(), 40.0, 1.0, None, rendition_of(spec))
    assert isinstance(glance, SquareSeen)
    found = modulation_in(out.getvalue(), glance.layout, 0.16, 40.0, rendition_of(spec))
    assert isinstance(found, Modulation)
    # shaking takes exp(-2 (pi sigma f)^2) of the contrast across it: 1.5 px at .16 cycles leave a third
    assert found.v[0] / found.h[0] == pytest.approx(np.exp(-2 * (np.pi * 1.5 * 0.16) ** 2), rel=0.03)
