"""What a detector of focus has to be. Our own and anybody's are found by the entry point group `benchd.detectors`.

    class Brightness(Detector):
        name = "brightness"
        device = Meter
        channels = ("level",)
        unit = "V"
        quantity = "Light through the slit"
        point_s = 0.2

        async def capture(self):
            read = await self.gear.device.read()
            return Capture(read.value, read.t_mono, read.t_utc)

        async def glance(self, capture, lp_mm):
            return Glance(capture.data)

        async def measure(self, capture):
            return Measured({"level": (capture.data, 0.002)})

A sweep prepares, looks about with captures and glances, settles on what it has seen, and measures a capture at each
station. Its calls never block the event loop: what takes long is a module-level function for `gear.analysis`, which
runs it in the worker process. What a call raises beside BenchdError, or answers amiss, costs that sweep; one that does
not come back within `at_most_s` is given up. What is heavy is imported where it is used.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, ClassVar

from pydantic import BaseModel

from benchd.detectors.values import Capture, Gear, Glance, Measured, Seen, Unusable
from benchd.devices import Device
from benchd.files.names import Record

if TYPE_CHECKING:
    from benchd.metrology.drawn import Stratum

DETECTOR_API = 1
"""The version of this interface; a class that does not say which it was written for was written for 1."""

AUTO = "auto"
"""The merit of a sweep that leaves the choice to the bench."""

DEFAULT_LP_MM = 40.0


class NoKeys(Record):
    """The section of a detector that takes nothing from the bench file."""


class Detector(ABC):
    """One way to tell how sharp it is, by which a sweep may be asked for: `name` is its merit.

    `device` is the kind of device it works on, in the role `detector`; `channels` what it measures at each place, all
    in `unit`; `quantity` what its values are, and `legends` the channels, in the words of a picture. One whose glances
    have a blur `tells_blur`: without it a sweep looks far about before it believes a peak, which may be a side lobe.
    `Config` are its keys in the bench file, under `detectors`. One is made for a bench and kept: what it has settled on
    holds for a sweep, from its `prepare` on.
    """

    detector_api: ClassVar[int] = 1
    name: ClassVar[str]
    device: ClassVar[type[Device]]
    channels: ClassVar[tuple[str, ...]]
    unit: ClassVar[str] = "1"
    quantity: ClassVar[str]
    legends: ClassVar[Mapping[str, str]] = {}
    tells_blur: ClassVar[bool] = False
    Config: ClassVar[type[BaseModel]] = NoKeys
    at_most_s: ClassVar[float] = 60.0

    point_s: float
    """The time that one point takes, settling apart, as a dry run counts it."""

    def __init__(self, gear: Gear) -> None:
        self.gear = gear

    @staticmethod
    def load() -> None:
        """Called in a new worker process, while the carriage still moves: import what the work there needs. Of our own
        detectors only: what those of packages need is loaded by their first call."""
        return

    @classmethod
    def strata(cls) -> Mapping[str, Stratum]:
        """What `scripts/study` draws of it by name: of each the share of intervals is told that hold the truth."""
        return {}

    def frequency(self, asked: float | None) -> float:
        """The frequency (lp/mm) that a sweep which asks for this one is at; None leaves it to the detector.

        Raises Refused('bad_request') for one that it cannot measure at.
        """
        return asked or DEFAULT_LP_MM

    async def prepare(self) -> None:  # noqa: B027  nothing to do is an answer
        """Before a sweep, the carriage about where it begins: the exposure, say, which then stays.

        Raises BenchdError('not_found') where there is nothing to be seen.
        """

    @abstractmethod
    async def capture(self) -> Capture:
        """What is to be exposed or read at the place where the carriage stands; begun as it stands, done when it may
        move on. Cancelled where the carriage does not stay."""

    @abstractmethod
    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        """A capture of the coarse scan by itself, roughly. Raises Refused for what no place can mend."""

    async def settle_on(self, best: Seen, within: Sequence[Seen], lp_mm: float) -> float:
        """Fix how every capture of the sweep is measured, from the sharpest glance and those within the sweep.

        Gives the relative standard uncertainty of the frequency at the target.
        """
        return 0.0

    @abstractmethod
    async def measure(self, capture: Capture) -> Measured | Unusable:
        """A capture of the sweep, as was settled."""
