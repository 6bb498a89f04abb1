"""What each rule is there for breaks it, told to it call by call; what is allowed does not."""

from __future__ import annotations

from collections import Counter

import pytest
from scipy.stats import binom

from tests.virtual.rules.dark import Dark
from tests.virtual.rules.ends import Answered, EndsOnce, OnlyAccepted
from tests.virtual.rules.findings_hold import SHARE, UNLIKELY, misses_too_often
from tests.virtual.rules.flat import Flat, Holdings
from tests.virtual.rules.goes_back import GoesBack
from tests.virtual.rules.inside import Inside
from tests.virtual.rules.once import Once
from tests.virtual.rules.retained import Retained
from tests.virtual.rules.still import Stands, Still
from tests.virtual.rules.stops import Rests, Stops
from tests.virtual.rules.trusted import HomedWell, LossTold
from tests.virtual.schedule import Step
from tests.virtual.told import Told, carriage, event, reply

ONE = ("benchd-main", "benchd-stop")


@pytest.mark.parametrize("answered", [True, False])
def test_a_command_that_nobody_answers(answered: bool) -> None:
    told = Told(Answered(lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).asked("alice", "move", {"id": "c1"}, False)
    if answered:
        told.at(1.1).told("reply/alice", reply("c1", ok=False))
    told.at(3.5)
    assert bool(told.broken) is not answered


@pytest.mark.parametrize("ends", [0, 1, 2])
def test_a_command_that_ends_never_or_twice(ends: int) -> None:
    told = Told(EndsOnce(lambda: ONE))
    told.at(0.0).asked("alice", "move", {"id": "c1"}, False)
    told.at(0.1).told("reply/alice", reply("c1"))
    for _ in range(ends):
        told.at(1.0).told("event", event("c1"))
    told.at(2.0).over()
    assert bool(told.broken) is (ends != 1)


def test_a_run_that_is_over_ends_nothing_but_itself() -> None:
    """A home has no run, and neither has a bench that has begun none, which it tells again now and then."""
    told = Told(EndsOnce(lambda: ONE))
    told.at(0.0).asked("alice", "home", {"id": "c1"}, False)
    told.at(0.1).told("reply/alice", reply("c1"))
    told.at(0.2).told("procedure", {"run": None, "state": "idle"})
    told.at(5.0)
    assert not told.broken


@pytest.mark.parametrize("accepted", [True, False])
def test_a_refused_take_that_changes_the_holder(accepted: bool) -> None:
    told = Told(OnlyAccepted(lambda: ONE))
    told.at(0.0).told("control", {"holder": "alice"})
    told.at(1.0).asked("bob", "take", {"id": "c1"}, False)
    told.at(1.1).told("reply/bob", reply("c1", ok=accepted))
    told.at(1.2).told("control", {"holder": "bob"})
    told.at(2.0)
    assert bool(told.broken) is not accepted


def test_a_stop_at_rest_whose_byte_is_not_sent() -> None:
    told = Told(Stops(lambda: True, lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).asked("bob", "stop", {}, False)
    told.at(1.01).sent("board", b"!")
    told.at(2.0).asked("bob", "stop", {}, False)
    assert not told.broken
    told.at(2.03)
    assert told.broken


@pytest.mark.parametrize("line_sound", [True, False])
def test_a_motor_that_goes_on_after_the_byte_of_a_stop(line_sound: bool) -> None:
    told = Told(Rests(lambda: True))
    if not line_sound:
        told.at(0.0).done(Step(0.0, "board", "drop", {"n": 1}))
    told.at(0.5).told("device/carriage", carriage(True, "moving"))
    told.at(1.0).stopped()
    told.at(1.0).sent("board", b"!")
    told.at(1.8)
    assert bool(told.broken) is line_sound
    told.at(4.5)
    assert told.broken


@pytest.mark.parametrize(
    ("line", "here_um", "holds"),
    [
        (b"G53 G21 G90 G1 Z-1.1000 F240.00\n", 50.0, True),
        (b"G53 G21 G90 G1 Z-0.9990 F240.00\n", 50.0, False),  # beyond the motor's travel by 1 um
        (b"G53 G21 G90 G1 Z-1.1000 F240.00\n", -300.0, False),  # 200 um beyond the scale's
        (b"$H\n", 50.0, True),
    ],
)
def test_a_place_beyond_the_limits(line: bytes, here_um: float, holds: bool) -> None:
    told = Told(Inside(lambda: 0.0, lambda: here_um, {}, 2000.0))
    told.at(1.0).sent("board", line)
    assert bool(told.broken) is not holds


@pytest.mark.parametrize(("reach_um", "holds"), [(8000.0, True), (40_500.0, False)])
def test_a_way_to_the_switch_that_a_lens_is_in(reach_um: float, holds: bool) -> None:
    told = Told(Inside(lambda: 0.0, lambda: 50.0, {"L-1": reach_um}, 2000.0))
    chain = [{"term": "flange_depth", "value_um": 50_000.0}, {"term": "base", "value_um": -24_000.0}]
    chain.append({"term": "adapter ring-07", "value_um": -18_000.0})
    told.at(0.0).told("setup", {"lens": "L-1", "glass": [], "chain": chain})
    told.at(1.0).sent("board", b"$H\n")
    told.at(2.0)
    assert bool(told.broken) is not holds


def test_a_carriage_that_leaves_its_way() -> None:
    here = [5000.0]
    told = Told(Inside(lambda: here[0] + 500.0, lambda: here[0], {}, 2000.0))
    told.at(1.0).sent("board", b"G53 G21 G90 G1 Z-7.5000 F240.00\n")
    here[0] = 6000.0 + 300.0  # less than the braking way beyond its end
    told.at(2.0)
    assert not told.broken
    here[0] = 6000.0 + 500.0
    told.at(2.1)
    assert told.broken


def test_a_carriage_that_goes_on_though_its_run_is_over() -> None:
    told = Told(Stands(lambda: True, lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).sent("board", b"G53 G21 G90 G1 Z-7.5000 F240.00\n")
    told.at(1.1).told("procedure", {"run": "r-0001", "state": "aborted"})
    told.at(1.5)
    assert not told.broken
    told.at(1.7)
    assert told.broken


def test_a_place_to_which_one_command_goes_twice() -> None:
    at = [0.0]
    told = Told(Once(lambda: at[0]))
    told.at(1.0).asked("alice", "move", {"id": "c1"}, False)
    told.at(1.0).sent("board", b"G53 G21 G90 G1 Z-3.0000 F240.00\n")
    told.at(1.1).sent("board", b"G53 G21 G90 G1 Z-3.0000 F240.00\n")  # it had not been there
    assert not told.broken
    at[0] = 2000.0
    told.at(2.0).sent("board", b"G53 G21 G90 G1 Z-3.0000 F240.00\n")
    assert told.broken


@pytest.mark.parametrize("heard", [b"ALARM:1\r\n", b"\r\nRSim 1.1 ['$' for help]\r\n"])
@pytest.mark.parametrize("told_s", [1.2, 1.4])
def test_a_loss_that_is_told_late(heard: bytes, told_s: float) -> None:
    told = Told(LossTold(lambda: ONE, lambda: True))
    told.at(0.0).told("device/carriage", carriage(True))
    told.at(1.0).said("board", heard)
    told.at(told_s).told("device/carriage", carriage(False))
    assert bool(told.broken) is (told_s > 1.3)


@pytest.mark.parametrize(
    ("cycle", "zero_um", "holds"), [(True, -500.0, True), (False, -500.0, False), (True, -400.0, False)]
)
def test_trust_that_comes_back_without_the_switch(cycle: bool, zero_um: float, holds: bool) -> None:
    told = Told(HomedWell(lambda: zero_um))
    told.at(0.0).daemon(True)
    if cycle:
        told.at(0.5).sent("board", b"$H\n")
    told.at(1.0).told("device/carriage", carriage(True))
    assert bool(told.broken) is not holds


def test_a_document_that_the_broker_keeps_too_long() -> None:
    kept = {"online": b"true", "procedure": b'{"state":"running"}'}
    told = Told(Retained(lambda: {"procedure": {"state": "paused"}}, dict, lambda: kept, lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(0.1).told("online", True)
    for tenth in range(2, 24):
        told.at(tenth / 10)
    assert not told.broken
    for tenth in range(24, 40):
        told.at(tenth / 10)
    assert told.broken


@pytest.mark.parametrize(("homed_s", "holds"), [(1.2, True), (1.5, False)])
def test_a_stop_that_has_failed_and_costs_no_trust(homed_s: float, holds: bool) -> None:
    told = Told(LossTold(lambda: ONE, lambda: True))
    told.at(0.0).told("device/carriage", carriage(True))
    told.at(0.9).asked("alice", "stop", {"id": "s1"}, False)
    told.at(1.0).told("reply/alice", reply("s1", ok=False))
    told.at(homed_s).told("device/carriage", carriage(False))
    assert bool(told.broken) is not holds


@pytest.mark.parametrize(
    ("accepted", "stale", "line", "holds"),
    [
        (True, False, b"G53 G21 G90 G1 Z-6.9000 F240.00\n", True),  # 100 um before its place
        (True, False, b"G53 G21 G90 G1 Z-13.0000 F240.00\n", False),
        (True, True, b"G53 G21 G90 G1 Z-13.0000 F240.00\n", True),
        (False, False, b"G53 G21 G90 G1 Z-13.0000 F240.00\n", True),
    ],
    ids=["nominal", "elsewhere", "stale", "refused"],
)
def test_a_run_that_is_resumed_and_goes_elsewhere_first(accepted: bool, stale: bool, line: bytes, holds: bool) -> None:
    told = Told(GoesBack(lambda: 11_000.0, lambda: 11_050.0))
    told.at(0.0).daemon(True)
    place = {"carriage_um": 11_050.0, "offset_um": 5000.0, "stale": stale}
    told.at(1.0).told("device/carriage", carriage(True) | place)
    told.at(1.0).told("procedure", {"state": "paused", "ask": None})
    told.at(2.0).asked("alice", "resume", {"id": "c1"}, False)
    told.at(2.0).sent("board", line)
    told.at(2.1).told("reply/alice", reply("c1", ok=accepted))
    assert bool(told.broken) is not holds


@pytest.mark.parametrize("after_s", [None, 1.5, 4.0])
def test_a_daemon_that_does_not_say_that_it_is_on_line(after_s: float | None) -> None:
    told = Told(Retained(dict, dict, dict, lambda: ONE))
    told.at(0.0).daemon(True)
    for tenth in range(1, 60):
        told.at(tenth / 10)
        if after_s == tenth / 10:
            told.rule.told("online", True)
    assert bool(told.broken) is (after_s != 1.5)


def test_a_document_that_was_another_between_two_looks() -> None:
    says, kept = {"control": {"idle_s": 0}}, {"online": b"true", "control": b'{"idle_s":0}'}
    told = Told(Retained(lambda: says, dict, lambda: kept, lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(0.1).told("online", True)
    for tenth in range(2, 50):
        told.at(tenth / 10)
    kept["control"] = b'{"idle_s":5}'  # which the next is on its way to replace
    told.rule.told("control", {"idle_s": 5})
    told.at(5.01)
    assert not told.broken
    for tenth in range(51, 90):
        told.at(tenth / 10)
    assert told.broken


@pytest.mark.parametrize("asked_for", [True, False])
def test_light_after_the_end_of_a_run(asked_for: bool) -> None:
    """Somebody's own stays, also where the end is told again over another connection."""
    lit = [False]
    told = Told(Dark(lambda: lit[0]))
    told.at(0.0).daemon(True)
    run = {"run": "r-0001", "procedure": "flange_check"}
    told.at(3.0).told("procedure", run | {"state": "running"})
    lit[0] = True
    told.at(4.0).told("procedure", run | {"state": "failed"})
    if asked_for:
        told.at(4.1).asked("alice", "light", {"id": "c1"}, False)
        told.at(4.2).told("reply/alice", reply("c1"))
    told.at(7.0).told("procedure", run | {"state": "failed"})
    told.at(10.0)
    assert bool(told.broken) is not asked_for


def test_a_loss_that_a_stall_holds_up() -> None:
    connected: list[tuple[str, ...]] = [ONE]
    told = Told(LossTold(lambda: connected[0], lambda: True))
    told.at(0.0).told("device/carriage", carriage(True))
    connected[0] = ()
    told.at(1.0).said("board", b"ALARM:1\r\n")
    told.at(1.1)
    connected[0] = ONE
    told.at(3.0)  # the first that comes after the stall
    assert not told.broken
    told.at(3.4)
    assert told.broken


@pytest.mark.parametrize("goes_on", [True, False])
@pytest.mark.parametrize("stalls", [True, False])
def test_a_motion_while_a_run_asks(goes_on: bool, stalls: bool) -> None:
    """What it says of itself may be held up."""
    connected: list[tuple[str, ...]] = [ONE]
    told = Told(Still(lambda: connected[0]))
    told.at(0.0).daemon(True)
    told.at(1.0).told("procedure", {"state": "asking", "ask": {"ask": "a-1"}})
    connected[0] = () if stalls else ONE
    told.at(2.0).sent("board", b"G53 G21 G90 G1 Z-2.0000 F240.00\n")
    if stalls:
        told.at(2.3)
        connected[0] = ONE
        told.at(2.5)  # the first that comes after the stall
        assert not told.broken
    if goes_on:
        told.rule.told("procedure", {"state": "running", "ask": None})
    told.at(2.6)
    told.at(2.7)
    assert bool(told.broken) is not goes_on


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_motion_while_a_run_asks_as_a_broker_comes_back(goes_on: bool) -> None:
    """What is retained there is taken back first; then all is told anew."""
    connected: list[tuple[str, ...]] = [ONE]
    told = Told(Still(lambda: connected[0]))
    told.at(0.0).daemon(True)
    told.at(1.0).told("procedure", {"state": "asking", "ask": {"ask": "a-1"}})
    connected[0] = ()
    told.at(2.0).sent("board", b"G53 G21 G90 G1 Z-2.0000 F240.00\n")
    told.at(20.0)
    connected[0] = ("benchd-main-2", "benchd-stop-2")
    told.at(21.0)
    told.at(21.2)
    assert not told.broken
    told.rule.told("procedure", {"state": "asking", "ask": {"ask": "a-2" if goes_on else "a-1"}})
    told.at(21.3)
    assert bool(told.broken) is not goes_on


def test_a_motion_while_a_run_asks_and_nothing_is_told_any_more() -> None:
    connected: list[tuple[str, ...]] = [()]
    told = Told(Still(lambda: connected[0]))
    told.at(0.0).daemon(True)
    told.at(1.0).told("procedure", {"state": "asking", "ask": {"ask": "a-1"}})
    told.at(2.0).sent("board", b"G53 G21 G90 G1 Z-2.0000 F240.00\n")
    connected[0] = ONE
    told.at(3.0)
    assert not told.broken
    told.at(5.1)
    assert told.broken


@pytest.mark.parametrize("paused_again", [True, False])
def test_a_return_that_a_pause_has_ended(paused_again: bool) -> None:
    told = Told(Still(lambda: ONE))
    told.at(0.0).daemon(True)
    told.at(1.0).told("procedure", {"state": "paused", "ask": None})
    told.at(2.0).asked("alice", "resume", {"id": "r-1", "beat": "b-1", "args": {}}, False)
    told.rule.told("reply/alice", {"id": "r-1", "ok": True, "result": {}})
    if paused_again:
        told.at(2.3).asked("alice", "pause", {"id": "p-1", "args": {}}, False)
        told.rule.told("reply/alice", {"id": "p-1", "ok": True, "result": {}})
    told.at(2.6).sent("board", b"G53 G21 G90 G1 Z-2.0000 F240.00\n")
    told.at(2.7)
    told.at(2.8)
    assert bool(told.broken) is paused_again


def test_what_is_held_more_and_more() -> None:
    held = [Holdings(Counter({"main": 30}), 15, 13)]
    told = Told(Flat(lambda: held[0]))
    told.at(0.0).daemon(True)
    told.at(1.0)
    held[0] = Holdings(Counter({"main": 30, "mqtt-command": 6}), 15, 13)
    told.at(100.0).over()
    assert told.broken
    assert "mqtt-command" in told.broken[0]


@pytest.mark.parametrize("judged", [1, 5, 40, 5000])
def test_so_many_misses_are_no_chance(judged: int) -> None:
    """Against the tail of another implementation, at the first number of misses that is too many and the one before."""
    first = next((missed for missed in range(judged + 1) if misses_too_often(missed, judged)), None)
    if first is None:
        assert binom.sf(judged - 1, judged, SHARE) >= UNLIKELY
    else:
        assert binom.sf(first - 1, judged, SHARE) < UNLIKELY <= binom.sf(first - 2, judged, SHARE)
