"""What a finding is told of a camera that does as it likes: by the edge detector, from a video device's far end."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from benchd.detectors.edge.detector import HELD_AGAINST_NOTHING, OWN_WILL, EdgeDetector
from benchd.detectors.values import Gear, Glance, Measured, Seen
from benchd.devices import Clock
from benchd.files.bench_file import Target
from benchd_drivers.capture_config import CaptureCameraConfig
from tests.drivers.video_end import CaptureByMemory, VideoEnd
from tests.imaging.conftest import dark_square

cv2 = pytest.importorskip("cv2")


class Here:
    """The work of the worker process, in this one."""

    async def run(self, work: Callable[..., Any], *args: Any) -> Any:
        return work(*args)


async def flags_of(end: VideoEnd, **config: Any) -> tuple[str, ...]:
    """What one measured picture says, after the exposure was found as for a sweep."""
    end.scene = dark_square((240, 320), 110.0, 5.0, (160.8, 119.3), 1.5)
    camera = CaptureByMemory("view", CaptureCameraConfig(device="/dev/video7", lag_ms=30, timeout_s=3, **config))
    camera.end = end
    await camera.open()
    try:
        here: Any = Here()
        target = Target(id="cross-2", pitch_mm=1.0, u_pitch_mm=0.0005)
        detector = EdgeDetector(Gear(camera, "view", target, None, here, Clock()))
        await detector.prepare()
        capture = await detector.capture()
        glance = await detector.glance(capture, 20.0)
        assert isinstance(glance, Glance), glance
        await detector.settle_on(Seen(0.0, capture, glance), [], 20.0)
        measured = await detector.measure(capture)
        assert isinstance(measured, Measured), measured
        assert measured.linear == (config.get("gamma") is not None and OWN_WILL not in measured.flags)
        return measured.flags
    finally:
        await camera.close()


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
