"""The interface of detectors of focus, found by the entry point group `benchd.detectors`.

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

A sweep calls `prepare`, runs its coarse scan with `capture` and `glance`, calls `settle_on` with what was seen, and
measures a capture at each station. A continuous sweep takes them from `stream` instead, of detectors that have one
(`check_streams`). The calls must not block the event loop: long work is a module-level function for
`gear.analysis`, which runs it in the worker process. An exception other than BenchdError, or a wrong answer, ends that
sweep; a call that does not return within `at_most_s` is given up. Import heavy libraries where they are used.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from pydantic import BaseModel

from benchd.detectors.values import Capture, CurveSeen, Gear, Glance, Measured, Seen, Unusable
from benchd.devices import Device
from benchd.errors import Refused
from benchd.files.names import Record

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from benchd.files.loading import LoadedBench
    from benchd.files.problems import Problem
    from benchd.metrology.drawn import Stratum
    from benchd.metrology.peak import PeakFit

DETECTOR_API = 1
"""The version of this interface; a class that does not state one was written for 1."""

AUTO = "auto"
"""The merit of a sweep that leaves the choice to the bench."""

DEFAULT_LP_MM = 40.0


class NoKeys(Record):
    """The section of a detector that takes nothing from the bench file."""


class Detector(ABC):
    """One way to measure sharpness; `name` is the `merit` of a sweep.

    `device` is the kind of device it works on, in the role `detector`; `channels` are measured at each station, all in
    `unit`; `quantity` names its values and `legends` the channels in a plot. `tells_blur`: its glances have a blur;
    without it a sweep scans far before it accepts a peak, which may be a side lobe. `goes_by_reference`: it reads the
    meter in the role `lamp_reference`, where there is one. `scale_from` is what tells the frequency on the image's
    side. `curve_by_way`: its curve is fitted with the way of each reading, so that sweeps at rest and in motion are not
    fitted together. `modulation`: its values are of one frequency, so that the width of their curve tells an f-number.
    `Config` are its keys in the bench file, under `detectors`. One instance is made for a bench and kept: what it has
    settled on holds for one sweep, from its `prepare` on.
    """

    detector_api: ClassVar[int] = 1
    name: ClassVar[str]
    device: ClassVar[type[Device]]
    channels: ClassVar[tuple[str, ...]]
    unit: ClassVar[str] = "1"
    quantity: ClassVar[str]
    legends: ClassVar[Mapping[str, str]] = {}
    tells_blur: ClassVar[bool] = False
    goes_by_reference: ClassVar[bool] = False
    scale_from: ClassVar[str] = "pitch of the target"
    curve_by_way: ClassVar[bool] = False
    modulation: ClassVar[bool] = True
    Config: ClassVar[type[BaseModel]] = NoKeys
    at_most_s: ClassVar[float] = 60.0

    point_s: float
    """The time of one point without settling (s), for dry runs."""

    def __init__(self, gear: Gear) -> None:
        self.gear = gear

    @staticmethod
    def load() -> None:
        """Called in a new worker process, while the carriage still moves: import what the work there needs. Called for
        benchd's own detectors only: those of packages import at their first call."""
        return

    @classmethod
    def strata(cls) -> Mapping[str, Stratum]:
        """What `scripts/study` draws of it by name: of each the share of intervals is told that hold the truth."""
        return {}

    @classmethod
    def problems(cls, config: Any, loaded: LoadedBench) -> list[Problem]:
        """Problems of its section of the bench file, at their lines: what does not go with the rest of the bench."""
        return []

    @classmethod
    def best_focus(
        cls,
        z_um: NDArray[np.float64],
        value: NDArray[np.float64],
        u: NDArray[np.float64],
        seen: CurveSeen,
    ) -> PeakFit:
        """The peak of its values over offsets, in the order taken; called in the worker process. Raises NoPeak.

        A detector whose curve is not that of a modulation has its own; see `benchd.metrology.peak`.
        """
        from benchd.metrology.peak import fit_peak
        from benchd.optics.diffraction import ideal_hwhm_um
        from benchd.optics.focus_depth import half_width_um

        return fit_peak(
            z_um,
            value,
            u,
            seen.curve_width * half_width_um(seen.f_number, seen.lp_mm),
            position_u_um=seen.position_u_um,
            ideal_hwhm_um=seen.curve_width * ideal_hwhm_um(seen.f_number, seen.lp_mm, seen.light_nm),
            spent=seen.latencies,
        )

    @classmethod
    def blurred_by_um(
        cls,
        fit: PeakFit,
        z_um: NDArray[np.float64],
        value: NDArray[np.float64],
        u: NDArray[np.float64],
        seen: CurveSeen,
    ) -> float:
        """How far, at the most, `fit`, its best focus of such values, is off by what motion has blurred."""
        from benchd.metrology.both_ways import blur_shift_um

        return blur_shift_um(fit, seen.way_um)

    @property
    def returns_every(self) -> int:
        """After how many stations a sweep goes back to the sharpest place, as it does before the first and after the
        last, for `returned` to see how bright the lamp is; 0 for never. What is between is measured after that."""
        return 0

    async def returned(self, capture: Capture) -> None:  # noqa: B027  for those that return
        """Told a capture at the sharpest place."""

    def frequency(self, asked: float | None) -> float:
        """The frequency (lp/mm) of a sweep that asks for `asked`; None leaves it to the detector.

        Raises Refused('bad_request') for one that it cannot measure at.
        """
        return asked or DEFAULT_LP_MM

    async def prepare(self) -> None:  # noqa: B027  nothing to do is an answer
        """Called before a sweep, with the carriage near its beginning: set the exposure, for example, for the sweep.

        Raises BenchdError('not_found') if there is no signal.
        """

    async def marks(self, pictures: int) -> tuple[float, float, float]:
        """How far apart two marks on the wall are, in sides of the target's square, its relative standard
        uncertainty, and how far apart in pixels, from so many pictures where the carriage stands.

        Raises Refused('bad_request') for a detector that sees no wall, BenchdError('not_found') where it sees no marks.
        """
        raise Refused(
            "bad_request", f"The detector '{self.name}' sees no marks on a wall.", advice="Measure m by tape."
        )

    async def strip(self, pictures: int) -> tuple[float, float, float]:
        """The period of a strip of bars on the wall, in sides of the target's square, its relative standard
        uncertainty, and twice the way in pixels from the square's middle to the strip's farther end, as `marks`.

        Raises as that does.
        """
        raise Refused(
            "bad_request", f"The detector '{self.name}' sees no strip on a wall.", advice="Measure m by tape."
        )

    @abstractmethod
    async def capture(self) -> Capture:
        """Expose or read at the present station; called at standstill, returns when the carriage may move on. Cancelled
        if the carriage does not stay."""

    def check_streams(self) -> None:
        """Raise Refused('bad_request') where captures of `stream` could not be matched to positions by their time."""
        raise Refused(
            "bad_request",
            f"The detector '{self.name}' does not measure while the carriage moves.",
            advice="Leave the mode away: a stepped sweep stands still for each reading.",
        )

    def stream(self) -> AsyncIterator[Capture]:
        """Captures one after the other, also while the carriage moves, until it is closed; for continuous sweeps.

        Called where `check_streams` does not refuse. `t_mono` is the middle of what was gathered, by a clock that runs
        with the daemon's: late or early by a constant at most, which is found and taken off. `exposed_s` has to be
        known, unless it is far shorter than the time between two captures, and `surely_s` where that is a bound only.
        They are measured by `measure`, as settled.
        """
        raise NotImplementedError

    @abstractmethod
    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        """A rough value of one capture of the coarse scan. Raises Refused for a failure at every station."""

    async def settle_on(self, best: Seen, within: Sequence[Seen], lp_mm: float) -> float:
        """Fix how all captures of the sweep are measured, from the sharpest glance and those within the span.

        Gives the relative standard uncertainty of the frequency at the target.
        """
        return 0.0

    @abstractmethod
    async def measure(self, capture: Capture) -> Measured | Unusable:
        """Measure a capture of the sweep, as settled."""
