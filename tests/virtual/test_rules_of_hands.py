"""What breaks the rules of hands in the bench, records in use, withdrawals, iris and seatings, told call by call."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.procedures.language import Procedure
from benchd.procedures.library import Library
from benchd.procedures.steps import AskStep, ForStep, IfStep, RepeatStep, Step
from tests.virtual.rules.as_asked import FAILED, IrisOpen, Seated
from tests.virtual.rules.hands_in import ASKED_FIRST, HANDS, HandsIn
from tests.virtual.rules.in_force import Unedited, Withdrawn
from tests.virtual.told import Told, reply

ONE = ("benchd-main", "benchd-stop")
MOVE = b"G53 G21 G90 G1 Z-7.5000 F240.00\n"


def run(state: str, *, procedure: str = "next_lens", ask: str | None = None, name: str = "seated") -> dict[str, Any]:
    question = None if ask is None else {"ask": ask, "name": name}
    return {"run": "r-0001", "procedure": procedure, "state": state, "step": 2, "ask": question}


def begun(told: Told, lens: str = "L-0417") -> None:
    told.at(0.0).daemon(True)
    told.at(1.0).asked(
        "alice", "run", {"id": "c1", "args": {"procedure": "next_lens", "inputs": {"lens": lens}}}, False
    )
    told.at(1.01).told("reply/alice", reply("c1", run="r-0001"))


@pytest.mark.parametrize("what", ["motion", "light"])
@pytest.mark.parametrize("when", ["before the question", "before the answer", "refused", "answered"])
def test_what_comes_between_hands_and_their_answer(what: str, when: str) -> None:
    lit = [False]
    told = Told(HandsIn(lambda: lit[0]))
    begun(told)
    if when != "before the question":
        told.at(1.1).told("procedure", run("asking", ask="a-1"))
    if when in ("refused", "answered"):
        told.at(2.0).asked("bob", "answer", {"id": "c2", "args": {"ask": "a-1", "value": True}}, False)
    if what == "motion":
        told.at(2.001).sent("board", MOVE)
    else:
        lit[0] = True
        told.at(2.001)
    if when in ("refused", "answered"):
        assert not told.broken
        told.at(2.01).told("reply/bob", reply("c2", ok=when == "answered"))
    assert bool(told.broken) is (when != "answered")


def test_its_lists_are_those_of_what_ships() -> None:
    """Two walls asks for a tape first."""
    shipped = Library.shipped().procedures
    first = {name: next(step for step in plain(one) if step.verb != "setup") for name, one in shipped.items()}
    asks = {name: step.ask.name for name, step in first.items() if isinstance(step, AskStep)}
    assert {name for name, ask in asks.items() if ask in HANDS} == set(ASKED_FIRST)
    steps = [step for name in ASKED_FIRST for step in plain(shipped[name])]
    confirmed = {step.ask.name for step in steps if isinstance(step, AskStep) and step.ask.kind == "confirm"}
    assert confirmed | {"look_again"} == set(HANDS)
    assert any(step.verb == "sweep" and step.args.look_again for step in steps)


def plain(procedure: Procedure) -> list[Step]:
    """Its steps that hold no others, in the order of the file."""
    return [step for _, step in procedure.walk() if not isinstance(step, RepeatStep | ForStep | IfStep)]


@pytest.mark.parametrize("what", ["motion", "light"])
def test_what_comes_while_it_is_asked_to_look_again(what: str) -> None:
    lit = [False]
    told = Told(HandsIn(lambda: lit[0]))
    told.at(0.0).daemon(True)
    told.at(1.1).told("procedure", run("asking", procedure="joint_study", ask="a-1", name="reseated"))
    told.at(2.0).asked("bob", "answer", {"id": "c2", "args": {"ask": "a-1", "value": True}}, False)
    told.at(2.01).told("reply/bob", reply("c2"))
    told.at(9.0).told("procedure", run("asking", procedure="joint_study", ask="a-2", name="look_again"))
    assert not told.broken
    if what == "motion":
        told.at(9.1).sent("board", MOVE)
    else:
        lit[0] = True
        told.at(9.1)
    assert told.broken


@pytest.mark.parametrize("lights", [True, False])
def test_a_light_that_shines_while_a_lens_is_seated_anew(lights: bool) -> None:
    """A person may light it himself."""
    told = Told(HandsIn(lambda: True))
    begun(told)
    told.at(1.1).told("procedure", run("asking", ask="a-1"))
    told.at(2.0).asked("bob", "answer", {"id": "c2", "args": {"ask": "a-1", "value": True}}, False)
    told.at(2.01).told("reply/bob", reply("c2"))
    told.at(9.0).told("procedure", run("asking", ask="a-2", name="seat_anew"))
    if lights:
        told.rule.asked("bob", "light", {"id": "c3", "args": {"level": 0.4}}, False)
    told.at(9.1)
    assert bool(told.broken) is not lights


@pytest.mark.parametrize("asked", ["before", "in", "of another"])
@pytest.mark.parametrize("ends", [True, False])
def test_a_record_that_changes_under_a_run(asked: str, ends: bool) -> None:
    told = Told(Unedited(lambda: ONE))
    edit = {"id": "c2", "args": {"kind": "lens", "id": "L-0418" if asked == "of another" else "L-0417"}}
    if asked == "before":
        told.at(0.5).asked("bob", "record", edit, False)
        begun(told)
    else:
        begun(told)
        told.at(2.0).asked("bob", "record", edit, False)
    told.at(2.1).told("reply/bob", reply("c2", changes=["lens was changed"]))
    if ends:
        told.at(2.15).told("procedure", run("done"))
    told.at(3.0)
    assert bool(told.broken) is (asked == "in" and not ends)


def test_a_finding_that_rests_on_what_was_withdrawn() -> None:
    told = Told(Withdrawn())
    finding = {"finding": "f-1", "calibrations": ["cal-1", "cal-2"]}
    told.at(1.0).told("finding/flange", finding)
    told.at(2.0).told("event", {"code": "withdrawn", "data": {"artefact": "bench-zero", "calibration": "cal-1"}})
    told.at(3.0).told("finding/flange", finding)
    told.at(4.0).told("finding/flange", {"finding": "f-2", "calibrations": ["cal-2"]})
    assert not told.broken
    told.at(5.0).told("finding/flange", {"finding": "f-3", "calibrations": ["cal-1"]})
    assert told.broken


@pytest.mark.parametrize("failed", [True, False])
@pytest.mark.parametrize("f_number", [5.6, None])
def test_an_iris_that_is_told_as_closed_after_the_toggle(f_number: float | None, failed: bool) -> None:
    told = Told(IrisOpen(lambda: ONE))
    told.at(0.0).told("procedure", run("running", procedure="glass_toggle"))
    told.at(0.1).told("setup", {"f_number": 5.6})
    if failed:
        told.rule.log("warning", f"{FAILED} run=r-0001")
    told.at(8.9).told("setup", {"f_number": f_number})
    told.at(9.0).told("procedure", run("aborted", procedure="glass_toggle"))
    told.at(9.6)
    assert bool(told.broken) is (f_number is not None and not failed)


@pytest.mark.parametrize("rows", [0, 2])
def test_a_seating_that_does_not_count(rows: int) -> None:
    told = Told(Seated())
    told.at(1.0).told("procedure", run("running"))
    told.at(5.0).told("finding/flange", {"finding": "f-1", "run": "r-0001"})
    told.at(9.0).told("procedure", run("asking", ask="a-2", name="seat_anew"))
    told.at(9.1).asked("bob", "answer", {"id": "c2", "args": {"ask": "a-2", "value": True}}, False)
    told.at(9.2).told("reply/bob", reply("c2"))
    assert not told.broken
    tables = {"seatings": {"rows": [[1.0], [2.0]]}} if rows else {}
    told.at(20.0).told("finding/flange", {"finding": "f-2", "run": "r-0001", "tables": tables})
    assert bool(told.broken) is (rows == 0)
