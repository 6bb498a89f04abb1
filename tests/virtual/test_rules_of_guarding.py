"""What breaks the rule of switches that bar motion, told call by call."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from tests.virtual.pressed import has_switches, presses
from tests.virtual.rules.guarded import DARK_S, ENDED_S, RECORDED_S, SEEN_S, STANDS_S, Guarded, Latched
from tests.virtual.schedule import Step
from tests.virtual.told import Told
from tests.virtual.words import checked

MOVE, HOME, STOP = b"G53 G21 G90 G1 Z-7.5000 F240.00\n", b"$H\n", b"!"


@dataclass
class Bench:
    """What somebody beside it sees."""

    acted: dict[str, bool] = field(default_factory=lambda: {"emergency_stop": False, "hands_in": False})
    rearmed: int = 0
    moving: bool = False
    lit: bool = False

    def told(self) -> Told:
        told = Told(Guarded(lambda: self.acted, lambda: self.rearmed, lambda: self.moving, lambda: self.lit))
        told.at(0.0).daemon(True)
        return told

    def press(self, told: Told, what: str, at_s: float, on: bool = True) -> None:
        rule = told.at(at_s)
        self.acted[what] = on
        rule.done(Step(at_s, "hand", "press", {"what": what}))


@pytest.mark.parametrize("motion", [MOVE, HOME])
@pytest.mark.parametrize("what", ["emergency_stop", "hands_in"])
def test_nothing_begins_while_one_is_pressed(what: str, motion: bytes) -> None:
    bench = Bench()
    told = bench.told()
    told.at(0.5).sent("board", motion)
    bench.press(told, what, 1.0)
    told.at(1.0)
    told.at(1.0 + SEEN_S).sent("board", motion)
    told.at(1.1 + SEEN_S).sent("board", STOP)
    told.at(1.1 + SEEN_S).sent("counter", motion)
    assert not told.broken, "it may not have been read yet, and a stop is no motion"
    told.at(1.2 + SEEN_S).sent("board", motion)
    assert len(told.broken) == 1


@pytest.mark.parametrize("what", ["emergency_stop", "hands_in"])
def test_what_is_let_go_bars_on_where_it_is_latched(what: str) -> None:
    bench = Bench()
    told = bench.told()
    bench.press(told, what, 1.0)
    told.at(1.1)
    bench.press(told, what, 2.0, on=False)
    told.at(50.0).sent("board", MOVE)
    assert bool(told.broken) is (what == "emergency_stop")


@pytest.mark.parametrize("pressed", [True, False])
def test_re_armed_while_it_is_pressed(pressed: bool) -> None:
    bench = Bench()
    told = bench.told()
    bench.press(told, "emergency_stop", 1.0)
    told.at(1.1)
    if not pressed:
        bench.press(told, "emergency_stop", 2.0, on=False)
    bench.rearmed += 1
    told.at(3.0)
    assert bool(told.broken) is pressed
    told.at(4.0).sent("board", HOME)
    assert len(told.broken) == 2 * pressed


@pytest.mark.parametrize("sound", [True, False])
@pytest.mark.parametrize("what", ["moving", "lit"])
def test_what_moves_stands_and_is_dark(what: str, sound: bool) -> None:
    bench = Bench(moving=what == "moving", lit=what == "lit")
    told = bench.told()
    bench.press(told, "emergency_stop", 1.0)
    if not sound:
        told.at(1.1).done(Step(1.1, "board", "unplug", {"s": 8.0}))
    told.at(1.02)
    told.at(1.05 + SEEN_S)
    told.at(1.0 + (STANDS_S if what == "moving" else DARK_S))
    assert not told.broken
    told.at(2.0 + SEEN_S + (STANDS_S if what == "moving" else DARK_S))
    assert bool(told.broken) is sound
    told.at(10.0).done(Step(10.0, "board", "clear"))
    told.at(11.0 + DARK_S)
    assert told.broken


@pytest.mark.parametrize(("after_s", "disk"), [(RECORDED_S + 0.1, True), (0.5, True), (RECORDED_S + 0.1, False)])
def test_a_latch_outlasts_a_kill_once_it_is_on_the_disk(after_s: float, disk: bool) -> None:
    bench = Bench()
    told = bench.told()
    if not disk:
        told.at(0.5).done(Step(0.5, "disk", "full"))
    bench.press(told, "emergency_stop", 1.0)
    told.at(1.0)
    told.at(1.0 + SEEN_S + 0.01)
    told.at(1.0 + after_s).daemon(False)
    bench.acted["emergency_stop"] = False
    told.at(4.0).sent("board", HOME)
    assert not told.broken, "nobody is there to send it"
    told.at(5.0).daemon(True)
    told.at(6.0).sent("board", HOME)
    assert bool(told.broken) is (after_s > RECORDED_S and disk)


def test_what_is_drawn_can_be_played_and_ends_with_all_let_go() -> None:
    steps = [Step(1.0, "alice", "take"), Step(900.0, "alice", "home")]
    for seed in range(1, 40, 2):
        assert has_switches(seed)
        drawn = presses(steps, seed)
        checked(drawn)
        assert drawn == presses(steps, seed)
        assert [(step.do, step.args.get("what")) for step in sorted(drawn, key=lambda step: step.at_s)[-3:]] == [
            ("release", "emergency_stop"), ("release", "hands_in"), ("rearm", None),
        ]  # fmt: skip


@pytest.mark.parametrize("ends", [True, False])
@pytest.mark.parametrize("state", ["running", "asking", "paused"])
def test_a_run_outlasts_no_emergency_stop(state: str, ends: bool) -> None:
    told = Told(Latched(lambda: ("main", "stop")))
    told.at(0.0).told("procedure", {"run": "r-1", "state": state})
    told.at(1.0).told("event", {"code": "emergency_stop"})
    if ends:
        told.at(1.5).told("procedure", {"run": "r-1", "state": "failed"})
        told.at(1.6).told("procedure", {"run": "r-2", "state": "running"})
    told.at(1.0 + ENDED_S)
    told.at(1.1 + ENDED_S)
    assert bool(told.broken) is not ends
