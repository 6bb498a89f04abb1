"""What a finding is told of a camera that does as it likes: by the edge detector, from a video device's far end."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest

from benchd.detectors.edge.answers import FIELD_TELLS_NOTHING, HELD_AGAINST_NOTHING, LIGHT_TOLD_NOTHING, OWN_WILL
from benchd.detectors.edge.detector import EdgeDetector
from benchd.detectors.values import Gear, Glance, Measured, Seen
from benchd.devices import Clock, Health, Identity, Light, LightSpec, Link
from benchd.files.bench_file import Target
from benchd_drivers.capture_config import CaptureCameraConfig
from tests.drivers.video_end import CaptureByMemory, VideoEnd
from tests.imaging.conftest import dark_square

cv2 = pytest.importorskip("cv2")


class Here:
    """The work of the worker process, in this one."""

    async def run(self, work: Callable[..., Any], *args: Any) -> Any:
        return work(*args)


class Lamp(Light):
    """What lights the scene of a video device, by pulses (`pwm_hz`) or not, and not below a `least` level."""

    def __init__(self, end: VideoEnd, pwm_hz: float | None, least: float = 0.0) -> None:
        self.name, self.spec, self._end, self.least = "lamp", LightSpec(0.01, 100, pwm_hz), end, least
        self.levels: list[float] = []

    @classmethod
    def create(cls, name: str, config: Any, link: Link | None) -> Lamp:
        raise NotImplementedError

    async def open(self) -> Identity:
        return Identity()

    async def close(self) -> None:
        pass

    async def health(self) -> Health:
        return Health("ok")

    async def set_level(self, level: float) -> None:
        self._end.lamp = max(level, self.least)
        self.levels.append(self._end.lamp)

    async def level(self) -> float:
        return self._end.lamp

    @asynccontextmanager
    async def darkened(self, share: float = 0.0) -> AsyncIterator[None]:
        level = await self.level()
        await self.set_level(share * level)
        yield
        await self.set_level(level)


class Ahead(Clock):
    """Nobody waits: the far end is older by that."""

    def __init__(self, end: VideoEnd) -> None:
        self._end = end

    async def sleep(self, seconds: float) -> None:
        self._end.ahead_s += seconds


@asynccontextmanager
async def looking(end: VideoEnd, lamp: Lamp | None = None, **config: Any) -> AsyncIterator[EdgeDetector]:
    """A detector behind that far end."""
    end.scene = dark_square((240, 320), 110.0, 5.0, (160.8, 119.3), 1.5)
    camera = CaptureByMemory("view", CaptureCameraConfig(device="/dev/video7", lag_ms=30, timeout_s=3, **config))
    camera.end = end
    await camera.open()
    try:
        here: Any = Here()
        target = Target(id="cross-2", pitch_mm=1.0, u_pitch_mm=0.0005)
        darkened = lamp.darkened if lamp else None
        yield EdgeDetector(Gear(camera, "view", target, lamp, here, Ahead(end), darkened=darkened))
    finally:
        await camera.close()


async def told_by(detector: EdgeDetector) -> tuple[str, ...]:
    """What one measured picture says, after the exposure was found as for a sweep."""
    await detector.prepare()
    capture = await detector.capture()
    glance = await detector.glance(capture, 20.0)
    assert isinstance(glance, Glance), glance
    await detector.settle_on(Seen(0.0, capture, glance), [], 20.0)
    measured = await detector.measure(capture)
    assert isinstance(measured, Measured), measured
    assert measured.linear == (detector.camera.spec.gamma is not None and OWN_WILL not in measured.flags)
    return measured.flags


async def flags_of(end: VideoEnd, lamp: Lamp | None = None, **config: Any) -> tuple[str, ...]:
    async with looking(end, lamp, **config) as detector:
        return await told_by(detector)


async def test_what_is_locked_and_linear_as_stated_needs_no_word() -> None:
    assert await flags_of(VideoEnd(), gamma=1.0) == ()


async def test_what_goes_on_by_itself_is_told() -> None:
    (flag,) = await flags_of(VideoEnd(stuck=frozenset({cv2.CAP_PROP_AUTO_WB})), gamma=1.0)
    assert "nobody has locked: white balance." in flag


async def test_a_locked_exposure_leaves_the_stated_curve_untried_and_that_is_told() -> None:
    assert await flags_of(VideoEnd(), gamma=1.0, exposure_range_ms=(10.0, 10.0)) == (HELD_AGAINST_NOTHING,)


async def test_a_curve_other_than_stated_is_told_and_its_own_is_not() -> None:
    end = VideoEnd()
    end.curve = 2.2
    assert await flags_of(end, gamma=1.0) == (OWN_WILL,)
    assert await flags_of(end, gamma=2.2) == ()


LOCKED: Any = {"exposure_range_ms": (10.0, 10.0)}


@pytest.mark.parametrize("room", [0.0, 0.12])
@pytest.mark.parametrize(("own", "stated"), [(1.0, 1.0), (2.2, 2.2), (2.2, 1.0), (1.0, 2.2)])
async def test_a_locked_exposure_is_held_against_the_light_where_pulses_dim_it(
    own: float, stated: float, room: float
) -> None:
    """The far end encodes by a curve that nobody told the detector; light of the room falls out."""
    end = VideoEnd()
    end.curve, end.lamp, end.room = own, 0.8 if own == 1.0 else 0.5, room
    lamp = Lamp(end, pwm_hz=20_000)
    flags = await flags_of(end, lamp, gamma=stated, **LOCKED)
    assert flags == (() if own == stated else (OWN_WILL,))
    assert lamp.levels[-1] == end.lamp > 0.0, "as bright as before"


@pytest.mark.parametrize("gain_s", [5.0, 22.0])
async def test_a_gain_that_turns_slowly_once_the_light_has_changed_is_told(gain_s: float) -> None:
    """Just after the light was dimmed either camera is as stated. The slower still is later, but not as it was."""
    end = VideoEnd()
    end.lamp = end.settled_at = 0.8
    end.gain_s = gain_s
    assert await flags_of(end, Lamp(end, pwm_hz=20_000), gamma=1.0, **LOCKED) == (OWN_WILL,)


@pytest.mark.parametrize("locked", [True, False])
async def test_a_curve_near_the_one_stated_is_told(locked: bool) -> None:
    end = VideoEnd()
    end.curve, end.lamp = 1.8, 0.5
    flags = await flags_of(end, Lamp(end, pwm_hz=20_000), gamma=2.2, **(LOCKED if locked else {}))
    assert flags == (OWN_WILL,)


async def test_a_light_that_would_be_too_dark_to_tell_is_left_as_it_is() -> None:
    end = VideoEnd()
    end.lamp = 0.23
    lamp = Lamp(end, pwm_hz=20_000)
    assert await flags_of(end, lamp, gamma=1.0, **LOCKED) == (FIELD_TELLS_NOTHING,)
    assert lamp.levels == []


async def test_a_light_that_is_too_bright_to_tell_is_left_as_it_is() -> None:
    """Pictures of it are not taken to be linear anyway."""
    end = VideoEnd()
    end.lamp, end.room = 0.99, 0.25
    lamp = Lamp(end, pwm_hz=20_000)
    async with looking(end, lamp, gamma=1.0, **LOCKED) as detector:
        await detector.prepare()
    assert lamp.levels == []


async def test_a_light_that_told_nothing_is_dimmed_for_it_again_only_at_another_level() -> None:
    """This one does not go below a level that it has, which is too near the one it was at."""
    end = VideoEnd()
    end.lamp = 0.7
    lamp = Lamp(end, pwm_hz=20_000, least=0.6)
    async with looking(end, lamp, gamma=1.0, **LOCKED) as detector:
        for _ in range(3):
            assert await told_by(detector) == (LIGHT_TOLD_NOTHING,)
        assert lamp.levels == [0.6, 0.7, 0.6, 0.7]
        lamp.least = 0.0
        assert await told_by(detector) == (LIGHT_TOLD_NOTHING,)
        await lamp.set_level(0.8)
        assert await told_by(detector) == ()


@pytest.mark.parametrize("pwm_hz", [None, 1000])
async def test_of_a_light_whose_level_is_no_known_light_nothing_is_taken(pwm_hz: float | None) -> None:
    """One that is not dimmed by pulses, or of which an exposure takes ten."""
    end = VideoEnd()
    end.lamp = 0.8
    lamp = Lamp(end, pwm_hz)
    assert await flags_of(end, lamp, gamma=1.0, **LOCKED) == (HELD_AGAINST_NOTHING,)
    assert lamp.levels == []
