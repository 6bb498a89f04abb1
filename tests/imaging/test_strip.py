"""A strip of bars beside the square, in pictures of the simulator, whose truth the analysis does not see."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.imaging.refusals import PictureRefused
from benchd.imaging.square import find_square
from benchd.imaging.strip import StripSeen, measure_strip
from benchd_simulators.world.camera import Instant
from benchd_simulators.world.world import World
from tests.simulators.test_world_arrangement_keys import shipped

Picture = NDArray[Any]
PITCH_MM = 10.0


@dataclass(frozen=True)
class Taken:
    """A picture, how long the strip's pitch truly is in sides of the square, and the true magnification."""

    picture: Picture
    in_sides: float
    m: float


def taken(seed: int = 1, *, strip: Any = PITCH_MM, off_focus_um: float = 20.0) -> Taken:
    world = World(shipped("workshop"), seed, 1.0, lambda: 0.0)
    if strip is not None:
        assert world.hand({"do": "set", "what": "wall_strip", "value": strip})["ok"]
    optic = world.optic()
    assert optic is not None
    side_mm = world.draws.quantity("target.side_mm", *world.record.target.side_mm.parts)
    depth_um = optic.peak_um(40.0) + off_focus_um
    scene = replace(
        world.view.scene(), depth_um=depth_um, electrons_per_s=1.4e6, bars=world.view.bars_px(optic, depth_um)
    )
    picture = world.camera.levels(Instant(scene, world.camera.look().centre_px), 10.0, 1.0)
    if world.room.strip is None:
        return Taken(picture, 0.0, optic.magnification)
    # As the camera has it before it: its lens distorts, and out of focus the square is of another size.
    hung = world.room.strip
    seen = (1.0 + hung.distortion) * (1.0 + (depth_um - optic.sharp_um()) / (hung.pupil_f * optic.focal_um))
    return Taken(picture, hung.pitch_mm * optic.magnification * seen / side_mm, optic.magnification)


def seen(picture: Picture) -> StripSeen:
    return measure_strip(picture, find_square(picture))


@pytest.mark.parametrize("pitch_mm", [4.0, 10.0])
def test_its_period_is_true_within_what_it_states(pitch_mm: float) -> None:
    """Of 24 worlds, each with bars .02 mm off their places."""
    off = []
    for seed in range(1, 25):
        shot = taken(seed, strip=pitch_mm)
        found = seen(shot.picture)
        assert found.u_noise_rel < 4e-5
        assert found.u_rel < 4e-4
        off.append((found.in_sides / shot.in_sides - 1.0) / found.u_rel)
    assert 0.5 < float(np.sqrt(np.mean(np.square(off)))) < 1.5
    assert abs(float(np.mean(off))) < 3.0 / np.sqrt(len(off))


@pytest.mark.parametrize(
    "as_seen", [np.fliplr, np.flipud, np.rot90, lambda p: np.rot90(p, 3), lambda p: np.rot90(p, 2), np.transpose]
)
def test_a_mirrored_or_turned_camera_sees_the_same(as_seen: Callable[[Picture], Picture]) -> None:
    shot = taken(2)
    upright, turned = seen(shot.picture), seen(np.ascontiguousarray(as_seen(shot.picture)))
    assert turned.in_sides == pytest.approx(upright.in_sides, rel=3.0 * upright.u_noise_rel)
    assert turned.across_px == pytest.approx(upright.across_px, rel=1e-3)


@pytest.mark.parametrize("off_focus_um", [-60.0, 0.0, 60.0])
def test_it_is_sharp_wherever_the_lens_is_focused(off_focus_um: float) -> None:
    shot = taken(3, off_focus_um=off_focus_um)
    assert seen(shot.picture).in_sides == pytest.approx(shot.in_sides, rel=1e-3)


def test_what_an_oblique_camera_draws_larger_on_one_side_is_in_its_u() -> None:
    """A camera a degree oblique, two metres before the wall: by scipy the picture as seen through that perspective."""
    from scipy import ndimage

    shot = taken(4)
    flat = seen(shot.picture)
    y, x = (one - 0.5 * (n - 1) for one, n in zip(np.indices(shot.picture.shape), shot.picture.shape, strict=True))
    for by_x, by_y in ((2e-5, 0.0), (0.0, 2e-5), (-1.5e-5, 2e-5)):
        nearer = 1.0 + by_x * x + by_y * y
        rows, columns = y / nearer + 0.5 * (y.shape[0] - 1), x / nearer + 0.5 * (x.shape[1] - 1)
        oblique = ndimage.map_coordinates(shot.picture.astype(float), [rows, columns], order=3, mode="nearest")
        found = seen(np.clip(np.rint(oblique), 0, 65535).astype(np.uint16))
        moved = abs(found.in_sides / flat.in_sides - 1.0)
        assert moved > 5.0 * flat.u_noise_rel
        assert moved <= 2.0 * found.u_same_rel
    assert found.u_same_rel > 3.0 * flat.u_same_rel


def without_bar(picture: Picture) -> Picture:
    spoilt = picture.copy()
    spoilt[223:248, 5:90] = int(np.percentile(picture, 70))
    return spoilt


def across_too(picture: Picture) -> Picture:
    """A second strip, which runs across: the first one once more, beside the square on the right, turned."""
    spoilt = picture.copy()
    strip = picture[5:475, 5:70]
    spoilt[405:470, 85:555] = np.rot90(strip)
    return spoilt


def dotted(picture: Picture) -> Picture:
    spoilt = picture.copy()
    for middle in range(20, 460, 24):
        spoilt[middle : middle + 12, 30:42] = 700
    return spoilt


@pytest.mark.parametrize(
    ("strip", "spoil", "code", "why"),
    [
        (None, None, "no_strip", "0 such bars stand there"),
        ({"pitch_mm": 10.0, "bars": 6}, None, "no_strip", "6 such bars stand there"),
        (25.0, None, "no_strip", "7 such bars stand there"),
        (2.0, None, "strip_fine", "has 5.* pixels"),
        ({"pitch_mm": 10.0, "left": 0.75}, None, "strip_pale", "keep back .* of the light"),
        (PITCH_MM, without_bar, "strip_uneven", "one is spoilt"),
        (PITCH_MM, across_too, "strip_ambiguous", "run more than one way"),
        (None, dotted, "strip_ambiguous", "as wide as long"),
    ],
)
def test_what_the_picture_cannot_tell_is_refused(
    strip: Any, spoil: Callable[[Picture], Picture] | None, code: str, why: str
) -> None:
    picture = taken(5, strip=strip).picture
    with pytest.raises(PictureRefused, match=why) as refused:
        seen(picture if spoil is None else spoil(picture))
    assert refused.value.code == code


def test_bars_where_the_squares_edges_are_measured_do_not_count() -> None:
    """Those before the square's left edge; above and below it they are clear."""
    picture = taken(6).picture.copy()
    strip = picture[:, 5:75].copy()
    picture[:, 5:75] = int(np.percentile(picture, 70))
    picture[:, 80:150] = strip
    with pytest.raises(PictureRefused, match="where the square's edges are measured"):
        seen(picture)


def test_a_scratch_is_no_bar() -> None:
    shot = taken(7)
    picture = shot.picture.copy()
    picture[30:34, 500:600] = 700
    assert seen(picture).in_sides == pytest.approx(seen(shot.picture).in_sides, rel=1e-5)
