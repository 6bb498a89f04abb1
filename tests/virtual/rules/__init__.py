"""The rules that always hold, one idea a module; `rules_of` gives fresh ones for a bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.virtual.rules.answered import AnswerAfterQuestion, AnsweredOnce
from tests.virtual.rules.asked_for import AskedFor
from tests.virtual.rules.at_rest import AtRest
from tests.virtual.rules.dark import Dark
from tests.virtual.rules.findings_hold import FindingsHold
from tests.virtual.rules.held import Held
from tests.virtual.rules.inside import Inside
from tests.virtual.rules.plain_errors import PlainErrors
from tests.virtual.rules.record_whole import RecordWhole
from tests.virtual.rules.still import Still
from tests.virtual.rules.stops import Stops
from tests.virtual.rules.trusted import LossTold, TrustedOnly
from tests.virtual.witness import Watched

if TYPE_CHECKING:
    from tests.virtual.lab import Lab


def rules_of(lab: Lab) -> list[Watched]:
    """All rules, for one history of one bench."""
    return [
        AskedFor(),
        Still(),
        TrustedOnly(),
        LossTold(),
        Held(),
        Inside(),
        Stops(lambda: lab.machine.motor.moving, lab.reachable),
        AnsweredOnce(),
        AnswerAfterQuestion(),
        Dark(lambda: lab.machine.lamp.level > 0.0 and lab.rig.cables["board"].port.in_use),
        PlainErrors(),
        AtRest(lab.homed),
        RecordWhole(lab.bench_file.parent / "workshop.db"),
        FindingsHold(lambda lp_mm: lab.machine.truth(lp_mm)["focus_error_um"]),
    ]
