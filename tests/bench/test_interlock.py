"""What the switches that bar motion say together, call by call; in every order on a bench: `tests/virtual`."""

from __future__ import annotations

import pytest

from benchd.bench.interlock import EMERGENCY_STOP, HANDS_IN, Interlock, Switch
from benchd.devices import Clock
from benchd.errors import Refused


class Heard:
    """An interlock whose switches were read as released, and what it told."""

    def __init__(self, *roles: str, read: bool = True) -> None:
        self.interlock = Interlock({role: f"the_{role}" for role in roles}, Clock())
        self.told: list[tuple[str, str]] = []
        for what in ("tripped", "freed", "changed"):
            setattr(self.interlock, what, lambda switch, what=what: self.told.append((what, switch.role)))
        for switch in self.interlock.switches if read else ():
            self.interlock.released(switch)
        self.told.clear()

    def __getitem__(self, role: str) -> Switch:
        return next(switch for switch in self.interlock.switches if switch.role == role)

    def refused(self) -> Refused:
        with pytest.raises(Refused) as refused:
            self.interlock.require()
        assert refused.value.code == "interlock"
        return refused.value


def both(*, read: bool = True) -> Heard:
    return Heard(HANDS_IN, EMERGENCY_STOP, read=read)


async def test_a_bench_without_switches_is_clear() -> None:
    await Heard().interlock.clear()
    with pytest.raises(Refused, match="nothing to re-arm"):
        Heard().interlock.rearm()


async def test_what_was_not_read_yet_bars_and_then_does_not() -> None:
    heard = both(read=False)
    assert "was not read yet" in heard.refused().text
    for switch in heard.interlock.switches:
        heard.interlock.released(switch)
    await heard.interlock.clear()
    assert heard.told == [("changed", EMERGENCY_STOP), ("changed", HANDS_IN)], "nothing was barred that had been free"


async def test_pressed_as_it_is_first_read_is_news() -> None:
    heard = both(read=False)
    heard.interlock.acted(heard[EMERGENCY_STOP])
    assert ("tripped", EMERGENCY_STOP) in heard.told
    assert heard[EMERGENCY_STOP].latched


def test_an_emergency_stop_is_latched_and_told_of_once() -> None:
    heard = both()
    stop = heard[EMERGENCY_STOP]
    heard.interlock.acted(stop)
    since = stop.since
    assert heard.told == [("tripped", EMERGENCY_STOP), ("changed", EMERGENCY_STOP)]
    refused = heard.refused()
    assert refused.text.startswith("The emergency stop (the_emergency_stop) was pressed at ")
    assert "latched" not in refused.text
    assert "benchd rearm" in refused.advice
    assert refused.data == {"role": EMERGENCY_STOP, "device": "the_emergency_stop", "since": since, "unread": ""}
    heard.interlock.acted(stop)
    assert len(heard.told) == 2
    heard.interlock.released(stop)
    heard.interlock.released(stop)
    assert heard.told[2:] == [("changed", EMERGENCY_STOP)]
    assert "it is released, and latched until it is re-armed" in heard.refused().text
    heard.interlock.acted(stop, "no answer")
    assert heard.told[3:] == [("changed", EMERGENCY_STOP)], "pressed again: barred it is already"
    assert (stop.since, stop.unread) == (since, "")


def test_re_arming() -> None:
    heard = both()
    stop = heard[EMERGENCY_STOP]
    heard.interlock.acted(stop, "it gave no answer for 0.5 s")
    assert "could not be read at" in heard.refused().text
    assert "which counts as pressed: it gave no answer for 0.5 s" in heard.refused().text
    with pytest.raises(Refused, match="still pressed, or cannot be read") as refused:
        heard.interlock.rearm()
    assert refused.value.code == "interlock"
    heard.interlock.released(stop)
    heard.told.clear()
    since = stop.since
    assert heard.interlock.rearm() == {
        "role": EMERGENCY_STOP, "device": "the_emergency_stop", "since": since, "unread": "it gave no answer for 0.5 s",
    }  # fmt: skip
    assert heard.told == [("freed", EMERGENCY_STOP), ("changed", EMERGENCY_STOP)]
    assert (stop.since, stop.unread, stop.bars) == (None, "", False)
    heard.interlock.require()
    with pytest.raises(Refused, match="nothing to re-arm") as twice:
        heard.interlock.rearm()
    assert twice.value.code == "bad_request"


def test_hands_bar_while_they_are_in() -> None:
    heard = both()
    hands = heard[HANDS_IN]
    heard.interlock.acted(hands)
    assert heard.refused().text.startswith("Hands are in the bench (the_hands_in) since ")
    assert heard.interlock.emergency is None
    with pytest.raises(Refused, match="nothing to re-arm"):
        heard.interlock.rearm()
    heard.interlock.released(hands)
    assert heard.told[2:] == [("freed", HANDS_IN), ("changed", HANDS_IN)]
    heard.interlock.require()


def test_the_graver_is_named_first() -> None:
    heard = both()
    heard.interlock.acted(heard[HANDS_IN])
    heard.interlock.acted(heard[EMERGENCY_STOP])
    assert heard.refused().data["role"] == EMERGENCY_STOP
    assert heard.interlock.emergency is heard[EMERGENCY_STOP]


@pytest.mark.parametrize("since", ["2031-04-05T09:12:44.120Z", None])
def test_a_latch_of_before_the_start(since: str | None) -> None:
    heard = both(read=False)
    heard.interlock.restore(since, "")
    stop = heard[EMERGENCY_STOP]
    heard.interlock.acted(stop)
    assert heard.told == [], "nothing of it is news"
    heard.interlock.released(stop)
    assert stop.latched
    assert since is None or "at 2031-04-05 09:12:44 UTC" in heard.refused().text
    assert stop.since == (since or stop.since)
    Heard(HANDS_IN).interlock.restore(since, "")


@pytest.mark.parametrize("pressed_meanwhile", [True, False])
async def test_who_is_about_to_move_has_them_looked_at_anew(pressed_meanwhile: bool) -> None:
    heard = both()

    async def look() -> None:
        heard.told.append(("looked", ""))
        if pressed_meanwhile:
            heard.interlock.acted(heard[HANDS_IN])

    heard.interlock.look = look
    if pressed_meanwhile:
        with pytest.raises(Refused, match="Hands are in"):
            await heard.interlock.clear()
    else:
        await heard.interlock.clear()
    assert ("looked", "") in heard.told
