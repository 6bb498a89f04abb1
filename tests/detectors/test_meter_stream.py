"""A meter's readings one after the other, of one that measures by itself: in virtual time, as it is asked."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import aclosing
from itertools import pairwise
from typing import Any, cast

import numpy as np
import pytest

from benchd.detectors.meter.light import Readings
from benchd.detectors.meter.stream import as_they_change
from benchd.devices import Clock
from benchd.testing.virtual_time import VirtualTimeLoop
from study_meter import fitted, swept
from study_meter_passes import PASSES, Moving

INTEGRATION_S, ANSWER_S = 0.02, 0.003


def streamed(light: Callable[[float], float], step: float, count: int) -> list[tuple[float, float]]:
    """Stamp and value of so many readings of a meter that shows the light at the middle of each integration, in steps
    of its display."""

    async def read() -> Readings:
        await asyncio.sleep(0.5 * ANSWER_S)
        asked_s = asyncio.get_running_loop().time()
        value = step * round(light((math.floor(asked_s / INTEGRATION_S) - 0.5) * INTEGRATION_S) / step)
        await asyncio.sleep(0.5 * ANSWER_S)
        return Readings((value,), None, t_mono=asked_s)

    async def taken() -> list[tuple[float, float]]:
        found = []
        stream = cast(Any, as_they_change(read, Clock(), INTEGRATION_S, 0.0))
        async with aclosing(stream) as captures, asyncio.timeout(30.0):
            async for capture in captures:
                found.append((capture.t_mono, capture.data.signal[0]))
                if len(found) == count:
                    return found
        raise AssertionError("the stream ended")

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(taken())


def test_a_display_that_stands_still_brings_a_reading_an_integration() -> None:
    found = streamed(lambda t: 0.3, 1.0, 40)
    assert [after - before for (before, _), (after, _) in pairwise(found)] == pytest.approx(39 * [INTEGRATION_S])


def test_readings_that_are_alike_are_stamped_for_their_own_stretch() -> None:
    """A signal that climbs by a step of the display in four integrations: of each step several readings are alike, and
    none is stamped off its stretch by more than the questions are apart."""
    slope = 0.25 / INTEGRATION_S
    found = streamed(lambda t: slope * t, 1.0, 60)
    off = np.array([value - slope * stamp for stamp, value in found])
    assert np.abs(off).max() <= 0.5 + slope * ANSWER_S
    assert abs(off.mean()) < 0.2
    alike = sum(before == after for (_, before), (_, after) in pairwise(found))
    assert alike >= 20


class Coarse(Moving):
    """With a display of 20 steps to the peak: the noise is a twentieth of one."""

    step = 0.05

    async def told(self, diode: Any) -> float:
        return self.step * round(await super().told(diode) / self.step)


def test_passes_with_a_display_coarser_than_the_noise_find_the_peak() -> None:
    case, detector, data = swept(PASSES, np.random.default_rng(4), Coarse, resolution=Coarse.step)
    fit = fitted(PASSES, detector, data)
    values = [point.channels["light"][0] for point in data.points]
    assert sum(before == after for before, after in pairwise(values)) >= 5
    assert abs(fit.peak_um - case.truth_um) <= 3.0 * fit.u_um
