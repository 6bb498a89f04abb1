"""Questions and detectors that raise, hang, answer amiss, or are none: each costs itself and nothing else."""

from __future__ import annotations

import math
import os
import time
from typing import Any, ClassVar

from benchd.arrangements.arrangement import Arrangement, Stands
from benchd.arrangements.conjugate import ConjugateTerm, parallel_light
from benchd.arrangements.places import OnCarriage, Places
from benchd.arrangements.setup_document import SetupDocument
from benchd.assessments.finding import Finding
from benchd.detectors.detector import Detector
from benchd.detectors.values import Capture, Glance, Measured
from benchd.devices import Meter
from benchd.files.artefacts import Lens
from benchd.files.bench_file import BenchFile
from benchd.questions.evidence import Evidence
from benchd.questions.question import Question
from benchd.questions.wording import Named


def finding(evidence: Evidence, name: str, **changes: Any) -> Finding:
    """One that says nothing, of this name."""
    said = {"measurand": {"arrangement": "gauge"}, "absolute": True, "values": {}, "budgets": {}}
    none = {"verdict": None, "advice": None, "readings": None}
    return Finding.model_validate({**evidence.head(name), **said, **none, **changes})


class Plain(Question):
    name = "plain"
    asks = "Nothing?"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        return finding(evidence, self.name)


class Namesake(Plain):
    name = "flange"


class Raises(Plain):
    name = "raises"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        raise KeyError("colour")


class Exits(Plain):
    name = "exits"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        raise SystemExit(3)


class Dies(Plain):
    name = "dies"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        os._exit(3)


class Hangs(Plain):
    name = "hangs"
    at_most_s = 1.0

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        while True:
            time.sleep(0.1)


class OfAnother(Plain):
    name = "of_another"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        return finding(evidence, "flange")


class Unasked(Plain):
    name = "unasked"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        value = {"length": {"value": 1.0, "unit": "um", "u": 1.0}}
        return finding(evidence, self.name, values=value, calibrates=[{"artefact": "joint", "value": "length"}])


class NoFinding(Plain):
    name = "no_finding"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        good = finding(evidence, self.name)
        return good.model_copy(update={"values": {"length": "long"}})


class Wordless(Plain):
    name = "wordless"
    drawn = "a chart"

    def said(self, doc: Any) -> str:
        raise ZeroDivisionError("no words")

    def picture(self, doc: Any, material: Any) -> bytes:
        raise ZeroDivisionError("no chart")


class Misdeclared(Plain):
    name = "misdeclared"
    values: ClassVar[Any] = {"length": "Length", "other": Named("Other")}


class Unfinished(Question):
    name = "unfinished"
    asks = "What is missing here?"


class Newer(Plain):
    name = "newer"
    question_api = 2


class Overrides(Plain):
    name = "overrides"

    check_of = classmethod(lambda cls, of, records=None: time.sleep(3600.0))  # type: ignore[misc]


answer = 42


class Level(Detector):
    """One that could be used."""

    name = "level"
    device: ClassVar[Any] = Meter
    channels: ClassVar[tuple[str, ...]] = ("mean",)
    quantity = "Light"
    point_s = 0.1

    async def capture(self) -> Capture:
        raise NotImplementedError

    async def glance(self, capture: Capture, lp_mm: float) -> Glance:
        return Glance(0.0)

    async def measure(self, capture: Capture) -> Measured:
        return Measured({"mean": (0.0, 1.0)})


class OfNoChannel(Level):
    name = "of_no_channel"
    channels = ()


class OfNoDevice(Level):
    name = "of_no_device"
    device = int


class Auto(Level):
    name = "auto"


class Later(Level):
    name = "later"
    detector_api = 2


class Halfway(Detector):
    name = "halfway"
    device: ClassVar[Any] = Meter
    channels: ClassVar[tuple[str, ...]] = ("mean",)
    quantity = "Light"


class Edge(Level):
    name = "edge"


class Stumbles(Level):
    """Its section, its making and what it says of itself fail."""

    name = "stumbles"

    def __init__(self, gear: Any) -> None:
        raise KeyError("colour")


class Lingers(Level):
    name = "lingers"
    point_s: Any = "long"


class Usable(Arrangement):
    """One that could be used."""

    name = "usable"
    stands = "target on the carriage"

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        return parallel_light(lens, setup, light="Light", source="light")


class AnotherWall(Usable):
    name = "wall"


class Stumbling(Usable):
    name = "stumbling"

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        raise KeyError("lens")


class Nowhere(OnCarriage):
    def offset_um(self, carriage_um: float) -> float | None:
        return math.nan


class Drifting(Usable):
    name = "drifting"

    def places(self, stands: Stands) -> Places:
        return Nowhere(stands.depth_at_zero_um, 0.0, 9000.0)


class UpsideDown(Usable):
    name = "upside_down"

    def places(self, stands: Stands) -> Places:
        return OnCarriage(stands.depth_at_zero_um, -2.0, 9000.0)


class Wordy(Usable):
    name = "wordy"
    cannot_tell: ClassVar[Any] = "much"


class Keyless(Usable):
    name = "keyless"

    class Config(Arrangement.Config):
        deep_um: float = 0.0

        def model_post_init(self, _: object) -> None:
            raise KeyError("deep")
