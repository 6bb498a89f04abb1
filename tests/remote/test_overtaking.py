"""Which commands a stop has overtaken, by the copies of stops among the commands."""

from __future__ import annotations

import math

from benchd.devices.clock import Clock
from benchd.remote.overtaking import Overtaking


class HandClock(Clock):
    """A clock that is set by hand."""

    now_s = 100.0

    def monotonic(self) -> float:
        return self.now_s


def test_what_is_read_before_the_copy_came_before_the_stop() -> None:
    order = Overtaking(HandClock())
    assert order.came_s == 100.0
    order.heard()
    assert order.came_s == -math.inf
    order.passed()
    assert order.came_s == 100.0


def test_the_copy_may_be_read_first() -> None:
    order = Overtaking(HandClock())
    order.passed()
    assert order.came_s == 100.0
    order.heard()
    assert order.came_s == 100.0


def test_each_stop_has_a_copy_of_its_own() -> None:
    order = Overtaking(HandClock())
    order.heard()
    order.heard()
    order.passed()
    assert order.came_s == -math.inf
    order.passed()
    assert order.came_s == 100.0


def test_a_connection_made_anew_leaves_nothing_of_the_last_one() -> None:
    order = Overtaking(HandClock())
    order.passed()  # while the road of stops was away
    order.begin_anew()
    order.heard()
    assert order.came_s == -math.inf


def test_a_copy_that_never_comes_holds_nothing_up_for_long() -> None:
    clock = HandClock()
    order = Overtaking(clock)
    order.heard()
    clock.now_s += 1.1
    assert order.came_s == clock.now_s
    order.passed()  # of another stop, whose own message is on its way
    order.heard()
    assert order.came_s == clock.now_s
