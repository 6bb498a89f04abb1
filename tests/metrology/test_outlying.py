"""Values far off the others, by modified z-scores (Iglewicz and Hoaglin 1993; NIST/SEMATECH handbook, 1.3.5.17)."""

from __future__ import annotations

import random
from statistics import median

import pytest

from benchd.metrology.outlying import far_off


@pytest.mark.published
def test_far_off_is_a_modified_z_score_above_three_and_a_half() -> None:
    """The score is .6745 (x - median) / MAD, as the handbook states it."""
    draw = random.Random(3)
    seen = set()
    for _ in range(200):
        values = [draw.gauss(0.0, 1.0) + draw.choice([0.0, 0.0, 0.0, 8.0]) for _ in range(11)]
        middle = median(values)
        mad = median(abs(value - middle) for value in values)
        scores = [0.6745 * abs(value - middle) / mad for value in values]
        if not any(3.49 < score < 3.51 for score in scores):
            wanted = [i for i, score in enumerate(scores) if score > 3.5]
            assert [i for i, _ in far_off(values, 0.0)] == wanted
            seen.add(len(wanted))
    assert {0, 1, 2} <= seen


def test_two_mistakes_of_five_do_not_hide_each_other() -> None:
    found = far_off([0.2, -475.1, 0.0, -474.8, -0.3], 0.7)
    assert [index for index, _ in found] == [1, 3]
    assert found[0][1] == pytest.approx(-474.8)


def test_readings_that_agree_by_chance_accuse_no_good_one() -> None:
    values = [10.0, 10.0, 10.0, 10.0, 10.4]
    assert far_off(values, 0.7) == []
    assert [index for index, _ in far_off(values, 0.0)] == [4], "or the floor has shown nothing"
    draw = random.Random(5)
    accused = sum(bool(far_off([draw.gauss(0.0, 0.7) for _ in range(5)], 0.7)) for _ in range(2000))
    assert accused < 40, "fewer than 2 in 100 rounds that only scatter as stated"
