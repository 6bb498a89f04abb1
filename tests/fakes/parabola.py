"""A detector without pictures: what it measures is a parabola about the focus of the lens, and some noise."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import EntryPoint
from typing import ClassVar

import pytest

from benchd.detectors.detector import Detector
from benchd.detectors.registry import DETECTORS
from benchd.detectors.values import Capture, Gear, Glance, Measured, Unusable
from benchd.devices import Camera
from benchd.errors import BenchdError
from benchd.optics.focus_depth import half_width_um

TOP, NOISE = 0.6, 0.002
EXPOSED_S = 0.05


class Parabola(Detector):
    """Half of `TOP` at the half-width of f/2; beyond it falls on along a slope, so that it is never quite dark."""

    name = "parabola"
    device = Camera
    channels = ("h", "v")
    quantity = "Modulation"
    tells_blur = True
    point_s = EXPOSED_S
    off_um: ClassVar[Callable[[], float]]
    """How far the target stands from the focus just now."""
    dark: ClassVar[Callable[[], bool]]

    def __init__(self, gear: Gear) -> None:
        super().__init__(gear)
        self._drawn = random.Random(1)
        self._half_width_um = half_width_um(2.0, 40.0)

    async def prepare(self) -> None:
        if type(self).dark():
            raise BenchdError("not_found", "The picture is too dark.", advice="Check light and target.")

    async def capture(self) -> Capture:
        clock, off_um = self.gear.clock, type(self).off_um()
        await clock.sleep(EXPOSED_S / 2.0)
        taken = Capture(0.5 * (off_um + type(self).off_um()), clock.monotonic(), clock.utc())
        await clock.sleep(EXPOSED_S / 2.0)
        return taken

    def _value(self, off_um: float) -> float:
        x = abs(off_um) / self._half_width_um
        return max(TOP * (1.0 - 0.5 * x * x if x < 1.0 else 0.5 / x**2), 0.01) + NOISE * self._drawn.gauss(0.0, 1.0)

    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        return Glance(max(self._value(capture.data), 0.0), math.hypot(3.0, capture.data / 2.0))

    async def measure(self, capture: Capture) -> Measured | Unusable:
        return Measured({channel: (self._value(capture.data), NOISE) for channel in self.channels}, brightness=1.0)


@contextmanager
def parabola_installed(off_um: Callable[[], float], dark: Callable[[], bool]) -> Iterator[None]:
    """As if a package brought it, inside the block."""
    found = EntryPoint("parabola", "tests.fakes.parabola:Parabola", "benchd.detectors")
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(vars(DETECTORS), "_points", {**DETECTORS._points, "parabola": [found]})
        patch.setattr(Parabola, "off_um", staticmethod(off_um), raising=False)
        patch.setattr(Parabola, "dark", staticmethod(dark), raising=False)
        yield
        DETECTORS._fit.pop("parabola", None)
