"""The detectors that work on the device of a bench, and the choice of one for a sweep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pydantic import BaseModel

from benchd.detectors import registry
from benchd.detectors.detector import AUTO, Detector
from benchd.detectors.guarded import guarded
from benchd.detectors.values import Darkened, Gear
from benchd.devices import Clock, Device, Light, Meter
from benchd.errors import BenchdError, Refused
from benchd.files.bench_file import Target
from benchd.files.loading import LoadedBench
from benchd.files.problems import FileProblems, Problem
from benchd.files.source import check

if TYPE_CHECKING:
    from benchd.bench.analysis import Analysis
    from benchd.bench.assembly import Assembly

ROLE, REFERENCE = "detector", "lamp_reference"

Configs = Mapping[str, BaseModel]
"""By name of each detector that works on the bench's device: its section of the bench file."""


def configured(loaded: LoadedBench, device: Device | None, problems: list[Problem]) -> Configs:
    """The section of the bench file for each detector that works on this device; problems are added to `problems`.

    A detector that needs keys but has no section is left out without a problem: it may not be wanted.
    """
    found: dict[str, BaseModel] = {}
    installed = {kind.name for kind in registry.installed()}
    for kind in registry.installed():
        if device is None or not isinstance(device, kind.device):
            continue
        entry = loaded.file.detectors.get(kind.name)
        try:
            section = {} if entry is None else entry.rest
            found[kind.name] = check(loaded.source, kind.Config, at=("detectors", kind.name), data=section)
            if entry is not None:
                problems += kind.problems(found[kind.name], loaded)
        except FileProblems as unfit:
            if entry is not None:
                problems += unfit.problems
        except Exception as error:  # noqa: BLE001 another package may raise anything
            if entry is not None:
                why = f"keys that its `Config` takes, which failed: {type(error).__name__}: {error}"
                problems.append(loaded.source.problem(("detectors", kind.name), why))
    by_reference = any(
        registry.detector(name).goes_by_reference for name in {*found, *loaded.file.detectors} & installed
    )
    if REFERENCE in loaded.file.roles and not by_reference:
        wanted = "no meter: no detector of this bench goes by it; take it out, the device keeps its own name"
        problems.append(loaded.source.problem(("roles", REFERENCE), wanted))
    for name in loaded.file.detectors:
        wrong = (
            _section_problem(name, device)
            if ROLE in loaded.file.roles
            else f"nothing where no device has the role {ROLE}"
        )
        if wrong:
            problems.append(loaded.source.problem(("detectors", name), wrong))
    return found


def _section_problem(name: str, device: Device | None) -> str:
    """Why a section is for no detector of this bench; empty if it is for one."""
    try:
        found = registry.detector(name)
    except Refused as unknown:
        return f"the name of a detector. {unknown.advice}"
    except BenchdError as unfit:
        return unfit.text
    if device is None or isinstance(device, found.device):
        return ""  # a device that could not be built has a problem of its own
    return f"a detector that works on the device in the role {ROLE}; this one works on a {_kind(found.device)}"


@dataclass(frozen=True, slots=True)
class Chosen:
    """The detector of a sweep, its frequency (lp/mm), and the time of one point."""

    detector: Detector
    lp_mm: float
    point_s: float


class AvailableDetectors:
    """The detectors of one bench; each is made when first used, by a sweep or a prediction."""

    def __init__(self, configs: Configs, gear: Gear | None) -> None:
        self._configs = configs
        self._gear = gear
        self._made: dict[str, Detector] = {}

    def __bool__(self) -> bool:
        return bool(self._configs)

    def preload_workers(self, analysis: Analysis) -> None:
        """Let new workers preload what benchd's own detectors need; another package's import might hang there, and all
        work would wait for it."""
        for name in filter(registry.DETECTORS.is_ours, self._configs):
            analysis.preload(registry.detector(name).load)

    def chosen(self, merit: str, lp_mm: float | None) -> Chosen:
        """The detector of that name, or with 'auto' the first, benchd's own before others. The device is not queried.

        Raises Refused: 'unknown_name' and 'bad_request' for one that is not installed or does not work here,
        'bad_request' for a frequency that it cannot measure at; or the detector's own fault.
        """
        faults: list[BenchdError] = []
        for name in self._candidates(merit):
            try:
                detector = self._detector(name)
                return Chosen(detector, detector.frequency(lp_mm), detector.point_s)
            except Refused:
                raise
            except BenchdError as fault:
                faults.append(fault)
        first = faults[0]
        raise Refused(first.code, first.text, advice=first.advice, data=first.data)

    def _candidates(self, merit: str) -> Sequence[str]:
        """The names that `merit` may stand for, in order of preference; at least one. Raises Refused."""
        here = f"Here: {', '.join(self._configs) or 'none'}."
        if merit not in (AUTO, *registry.names()):
            raise Refused("unknown_name", f"There is no detector '{merit}'.", advice=here)
        if self._gear is None:
            raise no_detector()
        if merit == AUTO and self._configs:
            return tuple(self._configs)
        if merit == AUTO:
            device = self._gear.device
            merit = next((kind.name for kind in registry.installed() if isinstance(device, kind.device)), AUTO)
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


def available_detectors(
    assembly: Assembly,
    target: Target,
    analysis: Analysis,
    clock: Clock,
    darkened: Darkened | None = None,
) -> AvailableDetectors:
    """The detectors of an assembled bench; no device is queried, and no worker started."""
    device = assembly.devices.get(assembly.roles.get(ROLE, ""))
    if device is None:
        return AvailableDetectors({}, None)
    light = assembly.in_role("target_light", Light)
    reference = assembly.in_role(REFERENCE, Meter)
    gear = Gear(device, ROLE, target, light, analysis, clock, reference=reference, darkened=darkened)
    return AvailableDetectors(assembly.detectors, gear)


def no_detector() -> Refused:
    """The refusal of a sweep on a bench without a detector."""
    kinds = " or ".join(_kind(kind) for kind in registry.kinds())
    return Refused("bad_request", "This bench has no detector to sweep with.", advice=f"Give a {kinds} that role.")


def _kind(device: type[Device]) -> str:
    return device.__name__.lower()
