"""What breaks the rules of control, of retained commands, and of motor and scale, told call by call."""

from __future__ import annotations

from typing import Any

import pytest

from tests.virtual.rules.agree import Agree
from tests.virtual.rules.answered import NeverRetained
from tests.virtual.rules.held import Lapses
from tests.virtual.rules.still import LossEnds, Pauses
from tests.virtual.rules.stops import KeepsPlace, Rests
from tests.virtual.rules.trusted import HomedWell
from tests.virtual.schedule import Step
from tests.virtual.told import Told, carriage, event, reply

ONE = ("benchd-main", "benchd-stop")
MOVE = b"G53 G21 G90 G1 Z-7.5000 F240.00\n"


def at_step(step: int, state: str = "running") -> dict[str, Any]:
    return {"run": "r-0001", "state": state, "step": step}


@pytest.mark.parametrize(
    ("args", "at_s", "holds"),
    [({}, 30.0, False), ({"force": True}, 30.0, True), ({}, 61.5, True)],
    ids=["while it is held", "by force", "after a minute"],
)
def test_control_that_is_taken_from_another(args: dict[str, Any], at_s: float, holds: bool) -> None:
    told = Told(Lapses(lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).asked("alice", "take", {"id": "c0"}, False)
    told.at(1.0).told("control", {"holder": "alice"})
    if at_s > 61.0:
        told.at(61.0).told("control", {"holder": None})
    told.at(at_s).asked("bob", "take", {"id": "c1", "args": args}, False)
    told.at(at_s + 0.1).told("reply/bob", reply("c1"))
    assert bool(told.broken) is not holds


@pytest.mark.parametrize("does", ["nothing", "a command", "a run"])
def test_control_that_does_not_lapse(does: str) -> None:
    told = Told(Lapses(lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).told("control", {"holder": "alice"})
    if does == "a command":
        told.at(50.0).asked("alice", "read", {"id": "c1"}, False)
    elif does == "a run":
        told.at(50.0).told("procedure", {"run": "r-0001", "state": "running"})
    told.at(70.0)
    assert bool(told.broken) is (does == "nothing")


@pytest.mark.parametrize("said_again", [True, False])
def test_a_command_that_was_left_behind(said_again: bool) -> None:
    told = Told(NeverRetained())
    told.at(0.0).daemon(True)
    told.at(1.0).asked("alice", "light", {"id": "c1"}, True)
    told.at(2.0).daemon(False)
    told.at(3.0).daemon(True)
    if said_again:
        told.at(3.5).asked("alice", "light", {"id": "c1"}, False)
    told.at(4.0).told("reply/alice", reply("c1"))
    assert bool(told.broken) is not said_again


@pytest.mark.parametrize("moves", [True, False])
def test_a_motion_while_the_last_one_brakes(moves: bool) -> None:
    told = Told(Rests(lambda: moves))
    told.at(1.0).stopped()
    told.at(1.0).sent("board", b"!")
    told.at(1.1).sent("board", MOVE)
    assert bool(told.broken) is moves


@pytest.mark.parametrize(
    ("off_um", "told_s", "holds"),
    [(90.0, 3.9, False), (90.0, 2.5, True), (60.0, 3.9, True)],
    ids=["told", "soon", "little"],
)
def test_steps_that_are_lost(off_um: float, told_s: float, holds: bool) -> None:
    scale_um = [1000.0]
    told = Told(Agree(lambda: scale_um[0], lambda: 1500.0))
    told.at(0.0).daemon(True)
    told.at(1.0).told("device/carriage", carriage(True))
    told.at(1.5)
    scale_um[0] += off_um
    told.at(1.6)
    told.at(told_s).told("device/carriage", carriage(False))
    told.at(5.0)
    assert bool(told.broken) is not holds


@pytest.mark.parametrize("state", ["asking", "paused"])
def test_a_run_that_asks_on_through_a_stop(state: str) -> None:
    told = Told(Pauses(lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).told("procedure", at_step(1, "asking"))
    told.at(2.0).stopped()
    told.at(2.1).told("procedure", at_step(1, state))
    told.at(3.0)
    assert bool(told.broken) is (state == "asking")


@pytest.mark.parametrize("resumed", [True, False])
@pytest.mark.parametrize("state", ["running", "asking"])
def test_a_run_that_goes_on_to_its_next_step_though_it_was_stopped(state: str, resumed: bool) -> None:
    told = Told(Pauses(lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).told("procedure", at_step(1))
    told.at(2.0).stopped()
    told.at(2.5).told("procedure", at_step(1))
    assert not told.broken, "its steps may be done, and its end under way"
    if resumed:
        told.at(2.6).asked("alice", "resume", {"id": "c1"}, False)
    told.at(3.0).told("procedure", at_step(2, state))
    assert bool(told.broken) is not resumed


@pytest.mark.parametrize(
    ("state", "homed", "how", "holds"),
    [
        ("running", True, "stopped by alice", False),
        ("running", False, "stopped by alice", True),
        ("running", True, "aborted by alice", True),
        (None, True, "stopped by alice", True),
    ],
    ids=["kept its place", "homing", "aborted", "not begun"],
)
def test_a_run_that_a_stop_ends(state: str | None, homed: bool, how: str, holds: bool) -> None:
    told = Told(Pauses(lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(0.5).told("device/carriage", carriage(homed))
    if state is not None:
        told.at(1.0).told("procedure", at_step(1, state))
    told.at(2.0).stopped()
    if state is not None:
        told.at(2.1).told("procedure", at_step(1, "failed"))
    text = f"Run r-0001 (there_and_back) was {how}."
    told.at(2.2).told("event", event("c1", text) | {"code": "stopped", "data": {"run": "r-0001"}})
    assert bool(told.broken) is not holds


@pytest.mark.parametrize("pushed", [True, False])
def test_a_stop_that_costs_trust(pushed: bool) -> None:
    told = Told(KeepsPlace())
    told.at(0.0).daemon(True)
    told.at(1.0).told("device/carriage", carriage(True, "moving"))
    if pushed:
        told.at(1.5).done(Step(1.5, "world", "push", {"value": 300.0}))
    told.at(2.0).stopped()
    told.at(2.1).told("device/carriage", carriage(False))
    assert bool(told.broken) is not pushed


@pytest.mark.parametrize("ends_s", [5.0, 15.0])
def test_a_run_that_goes_on_without_trust(ends_s: float) -> None:
    told = Told(LossEnds(lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).told("device/carriage", carriage(True))
    told.at(1.1).told("procedure", {"run": "r-0001", "state": "asking"})
    told.at(2.0).told("device/carriage", carriage(False))
    told.at(ends_s).told("procedure", {"run": "r-0001", "state": "failed"})
    assert bool(told.broken) is (ends_s > 14.0)


@pytest.mark.parametrize("off_um", [50.0, 90.0])
def test_counts_that_are_lost_from_one_homing_to_the_next(off_um: float) -> None:
    scale_um = [1000.0]
    told = Told(Agree(lambda: scale_um[0], lambda: 1500.0))
    told.at(0.0).daemon(True)
    told.at(1.0).told("device/carriage", carriage(True))
    told.at(2.0).told("device/carriage", carriage(False))
    scale_um[0] += off_um
    told.at(9.0).told("device/carriage", carriage(True))
    assert bool(told.broken) is (off_um > 75.0)


@pytest.mark.parametrize("homed", [True, False])
def test_a_carriage_that_is_told_as_homed_while_it_homes(homed: bool) -> None:
    told = Told(HomedWell(lambda: -500.0))
    told.at(0.0).daemon(True)
    told.at(0.5).sent("board", b"$H\n")
    told.at(1.0).told("device/carriage", carriage(homed, "homing"))
    assert bool(told.broken) is homed
