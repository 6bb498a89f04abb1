"""Motor against encoder: what takes the trust in a place, at rest and on the way, and what play and speed may do."""

from __future__ import annotations

import pytest

from benchd.bench.motion.figures import MotionFigures
from benchd.bench.motion.following_error import FollowingError
from benchd.bench.motion.trust import Trust
from benchd.devices import DeviceError, HomeFailed

FIGURES = MotionFigures(speed_um_s=4000.0, following_um=150.0, disagreement_um=60.0, pitch_rel=1e-3, still_um=25.0)


@pytest.fixture
def told() -> list[tuple[str, str]]:
    return []


@pytest.fixture
def watched(told: list[tuple[str, str]]) -> FollowingError:
    """Homed at 0 with the motor 40 um ahead of the encoder, which is play and no fault."""
    trust = Trust(lambda kind, why: told.append((kind, why)))
    found = FollowingError(FIGURES, trust)
    found.check_at_rest(40.0, 0.0)
    found.set_reference()
    trust.gain()
    return found


def test_a_place_that_changes_at_rest_costs_the_trust(watched: FollowingError, told: list[tuple[str, str]]) -> None:
    watched.check_at_rest(10_040.0, 10_000.0)
    watched.check_creep(10_025.0)
    assert told == []
    watched.check_creep(9_974.0)
    assert told == [("stall", "the carriage moved -26 µm unasked")]


def test_nothing_creeps_that_is_on_its_way(watched: FollowingError, told: list[tuple[str, str]]) -> None:
    watched.check_at_rest(10_040.0, 10_000.0)
    watched.rest_um = None
    watched.check_creep(12_000.0)
    assert told == []


def test_small_losses_add_up_to_one_that_is_seen(watched: FollowingError, told: list[tuple[str, str]]) -> None:
    """Held against the last rest, 25 um lost in each move were never seen. Allowed are 60 um and 1 um a millimetre."""
    watched.check_at_rest(5_065.0, 5_000.0)
    watched.check_at_rest(5_090.0, 5_000.0)
    watched.check_at_rest(5_105.0, 5_000.0)
    assert told == []
    with pytest.raises(DeviceError, match=r"disagree by \+66 µm"):
        watched.check_at_rest(5_106.0, 5_000.0)
    assert told[0][0] == "stall"


def test_a_scale_that_has_miscounted_is_not_homed_into_truth(watched: FollowingError) -> None:
    """The motor is set anew at the switch, whose scatter is allowed; the scale is not, its mark having been seen."""
    watched._trust.lose("homing", "homing")
    watched.check_at_rest(45.0, 0.0)
    watched.set_reference()
    watched.check_at_rest(45.0, 100.0)
    with pytest.raises(HomeFailed, match=r"disagree by -100 µm with the homing before"):
        watched.set_reference()
    watched.check_at_rest(45.0, 0.0)  # its counter was switched off and on
    watched.set_reference()


def test_on_the_way_they_may_be_apart_by_what_the_reading_takes(
    watched: FollowingError, told: list[tuple[str, str]]
) -> None:
    """150 um, and at 4 mm/s 120 um for 30 ms between the two readings at least, 400 for 100 ms."""
    watched.check_in_motion(10_040.0 + 269.0, 10_000.0, 0.001)
    watched.check_in_motion(10_040.0 - 549.0, 10_000.0, 0.1)
    assert told == []
    with pytest.raises(DeviceError, match="Lost steps"):
        watched.check_in_motion(10_040.0 - 271.0, 10_000.0, 0.001)
