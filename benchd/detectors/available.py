"""The detectors that work on the device of a bench, and the one that a sweep is taken by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pydantic import BaseModel

from benchd.detectors import registry
from benchd.detectors.detector import AUTO, Detector
from benchd.detectors.guarded import guarded
from benchd.detectors.values import Gear
from benchd.devices import Clock, Device, Light
from benchd.errors import BenchdError, Refused
from benchd.files.bench_file import Target
from benchd.files.loading import LoadedBench
from benchd.files.problems import FileProblems, Problem
from benchd.files.source import check

if TYPE_CHECKING:
    from benchd.bench.analysis import Analysis
    from benchd.bench.assembly import Assembly

ROLE = "detector"

Configs = Mapping[str, BaseModel]
"""Of each detector that works on the bench's device, by its name: its section of the bench file."""


def configured(loaded: LoadedBench, device: Device | None, problems: list[Problem]) -> Configs:
    """What the bench file says to each detector that works on this device; `problems` are of its lines.

    One whose section lacks a key is not at hand where there is no section: nobody may want it.
    """
    found: dict[str, BaseModel] = {}
    for one in registry.installed():
        if device is None or not isinstance(device, one.device):
            continue
        entry = loaded.file.detectors.get(one.name)
        try:
            section = {} if entry is None else entry.rest
            found[one.name] = check(loaded.source, one.Config, at=("detectors", one.name), data=section)
        except FileProblems as unfit:
            if entry is not None:
                problems += unfit.problems
        except Exception as error:  # noqa: BLE001 another package may raise anything
            if entry is not None:
                why = f"keys that its `Config` takes, which failed: {type(error).__name__}: {error}"
                problems.append(loaded.source.problem(("detectors", one.name), why))
    for name in loaded.file.detectors:
        wrong = _why_not(name, device) if ROLE in loaded.file.roles else f"nothing where no device has the role {ROLE}"
        if wrong:
            problems.append(loaded.source.problem(("detectors", name), wrong))
    return found


def _why_not(name: str, device: Device | None) -> str:
    """Why a section is of no detector of this bench; empty where it is of one."""
    try:
        found = registry.detector(name)
    except Refused as unknown:
        return f"the name of a detector. {unknown.advice}"
    except BenchdError as unfit:
        return unfit.text
    if device is None or isinstance(device, found.device):
        return ""  # a device that could not be built is told there
    return f"a detector that works on the device in the role {ROLE}; this one works on a {_kind(found.device)}"


@dataclass(frozen=True, slots=True)
class Chosen:
    """What a sweep is taken by: the detector, the frequency (lp/mm) it is at, the time of one point."""

    detector: Detector
    lp_mm: float
    point_s: float


class AvailableDetectors:
    """Those of one bench; each is made when it is first asked for, by a sweep or by who looks ahead."""

    def __init__(self, configs: Configs, gear: Gear | None) -> None:
        self._configs = configs
        self._gear = gear
        self._made: dict[str, Detector] = {}

    def __bool__(self) -> bool:
        return bool(self._configs)

    def expect(self, analysis: Analysis) -> None:
        """Have new workers load what the work of our own detectors needs; what a package loads may hang there, where
        everybody's work would wait for it."""
        for name in filter(registry.DETECTORS.is_ours, self._configs):
            analysis.preload(registry.detector(name).load)

    def chosen(self, merit: str, lp_mm: float | None) -> Chosen:
        """By the name of a detector, or 'auto': the first, ours before others. Nothing is asked of the device.

        Raises Refused: 'unknown_name' and 'bad_request' for one that is not installed or does not work here, and
        'bad_request' for a frequency that it cannot measure at; as the detector's own fault where it has one.
        """
        faults: list[BenchdError] = []
        for name in self._named(merit):
            try:
                detector = self._detector(name)
                return Chosen(detector, detector.frequency(lp_mm), detector.point_s)
            except Refused:
                raise
            except BenchdError as fault:
                faults.append(fault)
        first = faults[0]
        raise Refused(first.code, first.text, advice=first.advice, data=first.data)

    def _named(self, merit: str) -> Sequence[str]:
        """Those that may be meant, the first before others; at least one."""
        here = f"Here: {', '.join(self._configs) or 'none'}."
        if merit not in (AUTO, *registry.names()):
            raise Refused("unknown_name", f"There is no detector '{merit}'.", advice=here)
        if self._gear is None:
            raise no_detector()
        if merit == AUTO and self._configs:
            return tuple(self._configs)
        if merit == AUTO:
            device = self._gear.device
            merit = next((one.name for one in registry.installed() if isinstance(device, one.device)), AUTO)
        if merit == AUTO:
            raise no_detector()
        if merit in self._configs:
            return (merit,)
        try:
            found = registry.detector(merit)
        except BenchdError as unfit:
            raise Refused(unfit.code, unfit.text, advice=unfit.advice, data=unfit.data) from unfit
        if isinstance(self._gear.device, found.device):
            text = f"The detector '{merit}' wants its section in the bench file, detectors.{merit}, and there is none."
            raise Refused("bad_request", text, advice=f"Give it its keys: {', '.join(found.Config.model_fields)}.")
        text = f"The detector '{merit}' works on a {_kind(found.device)}, and another device has the role {ROLE}."
        raise Refused("bad_request", text, advice=here)

    def _detector(self, name: str) -> Detector:
        if name not in self._made:
            assert self._gear is not None
            gear = replace(self._gear, config=self._configs[name])
            package, ours = registry.DETECTORS.package(name), registry.DETECTORS.is_ours(name)
            self._made[name] = guarded(registry.detector(name), gear, package, ours=ours)
        return self._made[name]


def available_detectors(assembly: Assembly, target: Target, analysis: Analysis, clock: Clock) -> AvailableDetectors:
    """Those of an assembled bench; no device is asked, and no worker begun."""
    device = assembly.devices.get(assembly.roles.get(ROLE, ""))
    if device is None:
        return AvailableDetectors({}, None)
    light = assembly.in_role("target_light", Light)
    return AvailableDetectors(assembly.detectors, Gear(device, ROLE, target, light, analysis, clock))


def no_detector() -> Refused:
    """What is said of a sweep where nothing detects."""
    kinds = " or ".join(_kind(kind) for kind in registry.kinds())
    return Refused("bad_request", "This bench has no detector to sweep with.", advice=f"Give a {kinds} that role.")


def _kind(device: type[Device]) -> str:
    return device.__name__.lower()
