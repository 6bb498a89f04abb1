"""Two marks on the wall beside the square, in pictures of the simulator, whose truth the analysis does not see.

Marks and square are drawn by the simulator in its own way: discs averaged over parts of a pixel, edges by a Fourier
series; its lens, camera, noise and uneven light are those of the shipped world.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.imaging.marks import measure_marks
from benchd.imaging.refusals import PictureRefused
from benchd.imaging.square import find_square
from benchd_simulators.world.camera import Instant
from benchd_simulators.world.world import World
from tests.simulators.test_world_arrangement_keys import shipped

Picture = NDArray[Any]
Spoil = Callable[[Picture], Picture]


@dataclass(frozen=True)
class Taken:
    """A picture, and how far apart the marks truly are in sides of the square."""

    picture: Picture
    in_sides: float


def taken(seed: int = 1, *, apart_mm: float = 220.0, off_focus_um: float = 20.0, marks: bool = True) -> Taken:
    world = World(shipped("workshop"), seed, 1.0, lambda: 0.0)
    if marks:
        assert world.hand({"do": "set", "what": "wall_marks", "value": apart_mm})["ok"]
    optic = world.optic()
    assert optic is not None
    side_mm = world.draws.quantity("target.side_mm", *world.record.target.side_mm.parts)
    depth_um = optic.peak_um(40.0) + off_focus_um
    scene = replace(
        world.view.scene(), depth_um=depth_um, electrons_per_s=1.4e6, marks=world.view.marks_px(optic, depth_um)
    )
    picture = world.camera.levels(Instant(scene, world.camera.look().centre_px), 10.0, 1.0)
    if world.room.marks is None:
        return Taken(picture, 0.0)
    # As the camera has them before it: its lens distorts, and out of focus the square is of another size.
    stuck = world.room.marks
    seen = (1.0 + stuck.distortion) * (1.0 + (depth_um - optic.sharp_um()) / (stuck.pupil_f * optic.focal_um))
    return Taken(picture, stuck.apart_mm * optic.magnification * seen / side_mm)


def test_their_distance_is_true_within_what_it_states() -> None:
    """Of 24 worlds: 3e-5 of 566 px is a sixtieth of a pixel."""
    off = []
    for seed in range(1, 25):
        shot = taken(seed)
        found = measure_marks(shot.picture, find_square(shot.picture))
        assert found.u_rel < 1e-4
        off.append((found.in_sides / shot.in_sides - 1.0) / found.u_rel)
    assert 0.5 < float(np.sqrt(np.mean(np.square(off)))) < 1.5
    assert abs(float(np.mean(off))) < 3.0 / np.sqrt(len(off))


@pytest.mark.parametrize(
    "as_seen", [np.fliplr, np.flipud, np.rot90, lambda p: np.rot90(p, 3), lambda p: np.rot90(p, 2)]
)
def test_a_mirrored_or_turned_camera_sees_the_same(as_seen: Spoil) -> None:
    shot = taken(2)
    upright = measure_marks(shot.picture, find_square(shot.picture))
    turned = np.ascontiguousarray(as_seen(shot.picture))
    found = measure_marks(turned, find_square(turned))
    assert found.in_sides == pytest.approx(upright.in_sides, rel=3.0 * upright.u_rel)


@pytest.mark.parametrize("off_focus_um", [-60.0, 0.0, 60.0])
def test_they_are_sharp_wherever_the_lens_is_focused(off_focus_um: float) -> None:
    shot = taken(3, off_focus_um=off_focus_um)
    found = measure_marks(shot.picture, find_square(shot.picture))
    assert found.in_sides == pytest.approx(shot.in_sides, rel=1e-3)


def spotted(at: tuple[int, int], size: int) -> Spoil:
    def spoil(picture: Picture) -> Picture:
        spoilt = picture.copy()
        y, x = at
        spoilt[y : y + size, x : x + size] = 700
        return spoilt

    return spoil


def wiped(columns: slice) -> Spoil:
    def spoil(picture: Picture) -> Picture:
        spoilt = picture.copy()
        spoilt[:, columns] = int(np.percentile(picture, 70))
        return spoilt

    return spoil


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (wiped(slice(0, 60)), "one stands"),
        (spotted((40, 320), 14), "3 stand"),
    ],
)
def test_one_too_few_or_too_many_is_refused(spoil: Spoil, told: str) -> None:
    picture = spoil(taken(4).picture)
    with pytest.raises(PictureRefused, match=told) as refused:
        measure_marks(picture, find_square(picture))
    assert refused.value.code == "no_marks"


def test_a_scratch_is_no_mark() -> None:
    shot = taken(5)
    picture = shot.picture.copy()
    picture[30:34, 200:420] = 700
    found = measure_marks(picture, find_square(picture))
    assert found.in_sides == pytest.approx(shot.in_sides, rel=1e-3)


@pytest.mark.parametrize(("apart_mm", "why"), [(120.0, "too near the square"), (250.0, "too near the border")])
def test_a_mark_that_is_cut_is_refused(apart_mm: float, why: str) -> None:
    picture = taken(6, apart_mm=apart_mm).picture
    with pytest.raises(PictureRefused, match=why) as refused:
        measure_marks(picture, find_square(picture))
    assert refused.value.code == "marks_cut"


def test_without_marks_none_are_seen() -> None:
    picture = taken(7, marks=False).picture
    with pytest.raises(PictureRefused, match="none stands there"):
        measure_marks(picture, find_square(picture))
