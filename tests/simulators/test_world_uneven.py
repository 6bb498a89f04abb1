"""Light over the simulated picture: drawn by seed, and of the size that the world's file says."""

from __future__ import annotations

from math import cos, radians

import numpy as np
import pytest

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.reading import read_world
from benchd_simulators.world.schema import UnevenRecord
from benchd_simulators.world.uneven import Uneven

SIZE = {"width": 640, "height": 480}  # 400 px from the middle to a corner


def light_of(record: UnevenRecord, seed: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return Uneven.drawn(record, Draws(seed), **SIZE).over(640, 480)


def test_fall_off_is_the_fourth_power_of_the_cosine() -> None:
    light = light_of(UnevenRecord(field_deg=20.0), 1)
    assert light[0, 0] == pytest.approx(cos(radians(20.0)) ** 4, rel=2e-3)
    assert light[239, 319] == pytest.approx(1.0, abs=1e-5)


def test_a_world_that_says_nothing_has_even_light() -> None:
    assert np.ptp(light_of(UnevenRecord(), 3)) == 0.0


def test_the_workshop_is_uneven_in_each_seed_in_its_own_way() -> None:
    record = read_world("workshop").uneven
    pictures = [light_of(record, seed) for seed in range(20)]
    assert all(np.array_equal(light_of(record, 7), pictures[7]) for _ in range(2))
    spans = [float(np.ptp(picture) / picture.max()) for picture in pictures]
    assert 0.05 < min(spans) < max(spans) < 0.4
    assert len({round(span, 6) for span in spans}) == 20
