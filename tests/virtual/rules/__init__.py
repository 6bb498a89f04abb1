"""The rules that always hold, one idea a module; `rules_of` gives fresh ones for a bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.virtual.rules.agree import Agree
from tests.virtual.rules.answered import AnswerAfterQuestion, AnsweredOnce, NeverRetained
from tests.virtual.rules.as_asked import IrisOpen, Seated
from tests.virtual.rules.asked_for import AskedFor
from tests.virtual.rules.at_rest import AtRest
from tests.virtual.rules.dark import Dark
from tests.virtual.rules.ends import Answered, EndsOnce, OnlyAccepted
from tests.virtual.rules.finding_recorded import FindingRecorded
from tests.virtual.rules.findings_hold import FindingsHold
from tests.virtual.rules.flat import Flat
from tests.virtual.rules.goes_back import GoesBack
from tests.virtual.rules.guarded import Guarded, Latched
from tests.virtual.rules.hands_in import HandsIn
from tests.virtual.rules.held import Held, Lapses
from tests.virtual.rules.in_force import Unedited, Withdrawn
from tests.virtual.rules.inside import Inside, pieces_of
from tests.virtual.rules.once import Once
from tests.virtual.rules.plain_errors import PlainErrors
from tests.virtual.rules.record_whole import RecordWhole
from tests.virtual.rules.retained import Retained
from tests.virtual.rules.still import LossEnds, Pauses, Stands, Still
from tests.virtual.rules.stops import KeepsPlace, Rests, Stops
from tests.virtual.rules.trusted import HomedWell, LossTold, TrustedOnly
from tests.virtual.witness import Watched

if TYPE_CHECKING:
    from tests.virtual.lab import Lab


def rules_of(lab: Lab) -> list[Watched]:
    """All rules, for one history of one bench."""
    return [
        AskedFor(lab.connections),
        Still(lab.connections),
        Stands(lambda: lab.machine.motor.moving, lab.connections),
        TrustedOnly(),
        LossTold(lab.connections, lambda: lab.scale_um() is not None),
        HomedWell(lambda: lab.machine.carriage_um - lab.machine.motor.position_um),
        Agree(lab.scale_um, lambda: lab.machine.motor.position_um),
        Held(),
        Lapses(lab.unhindered),
        Inside(lambda: lab.machine.motor.position_um, lab.scale_um, *pieces_of(lab.bench_file)),
        Once(lambda: lab.machine.motor.position_um),
        Stops(lab.reachable, lab.connections),
        Rests(lambda: lab.machine.motor.moving),
        KeepsPlace(),
        Pauses(lab.connections),
        GoesBack(lambda: lab.machine.motor.position_um, lab.scale_um),
        LossEnds(lab.unhindered),
        AnsweredOnce(),
        NeverRetained(),
        Answered(lab.unhindered),
        EndsOnce(lab.unhindered),
        OnlyAccepted(lab.unhindered),
        AnswerAfterQuestion(),
        Dark(lambda: lab.machine.lamp.level > 0.0),
        HandsIn(lambda: lab.machine.lamp.level > 0.0),
        *([guarded_of(lab), Latched(lab.unhindered)] if lab.switched else []),
        Unedited(lab.connections),
        Withdrawn(),
        IrisOpen(lab.unhindered),
        Seated(),
        PlainErrors(),
        AtRest(),
        Retained(lab.notices, lab.own, lab.kept, lab.connections),
        RecordWhole(lab.bench_file.parent / "workshop.db"),
        Flat(lab.held),
        FindingRecorded(lab.bench_file.parent / "workshop.db", lambda: lab.machine.lamp.level),
        FindingsHold(lambda lp_mm: lab.machine.truth(lp_mm)["focus_error_um"], lab.machine.standing, lab.scale_off_um),
    ]


def guarded_of(lab: Lab) -> Guarded:
    """For a bench that has the switches."""
    machine = lab.machine
    return Guarded(
        lambda: machine.contacts.acted,
        lambda: lab.rearmed,
        lambda: machine.motor.moving,
        lambda: machine.lamp.level > 0.0,
    )
