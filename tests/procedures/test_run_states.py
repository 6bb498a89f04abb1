"""Every event in every state of a run: what becomes of it, and that a run which is paused moves nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import get_args

import pytest

from benchd.bench.gate import Gate
from benchd.errors import BenchdError, Refused
from benchd.procedures.run_states import BECOMES, ENDING, OVER, WAITING, Event, Phase, RunState, State

PHASES: tuple[Phase, ...] = get_args(Phase)
EVENTS: tuple[Event, ...] = get_args(Event)
PEOPLES: frozenset[Event] = frozenset(
    {"pause", "pause_moving", "resume", "abort", "close", "stop", "stop_homing", "asked", "answered"}
)
"""What may come at any time, from people and from what a run is doing."""

WAYS: dict[Phase, list[Event]] = {
    "idle": [],
    "running": ["begin"],
    "asking": ["begin", "asked"],
    "pausing": ["begin", "pause_moving"],
    "paused": ["begin", "pause"],
    "returning": ["begin", "pause", "resume"],
    "finishing": ["begin", "steps_done"],
    "failing": ["begin", "broken_off"],
    "aborting": ["begin", "abort"],
    "done": ["begin", "steps_done", "ended"],
    "failed": ["begin", "broken_off", "ended"],
    "aborted": ["begin", "abort", "ended"],
}
"""How a run comes into each phase."""


def held(error: BenchdError) -> None:
    raise error


def run_in(phase: Phase, *, stopped: bool = False) -> RunState:
    """A run that has come into this phase; with `stopped` somebody has stopped it there, where that leaves it there."""
    state = RunState(lambda: None, held)
    for event in WAYS[phase]:
        state.handle(event)
    if stopped:
        state.handle("stop")
    assert state.phase == phase
    return state


def cases() -> Iterator[tuple[Phase, Event, bool]]:
    for phase in PHASES:
        for event in EVENTS:
            yield phase, event, False
            if phase not in OVER and BECOMES[phase, "stop"] in (".", phase):
                yield phase, event, True


def test_the_table_is_whole() -> None:
    assert set(BECOMES) == {(phase, event) for phase in PHASES for event in EVENTS}
    assert set(BECOMES.values()) <= {*PHASES, ".", "-", "!"}
    assert set(WAYS) == set(PHASES), "each phase can be come to"


@pytest.mark.parametrize(("phase", "event", "stopped"), list(cases()))
def test_every_event_in_every_state(phase: Phase, event: Event, stopped: bool) -> None:
    state = run_in(phase, stopped=stopped)
    may_move, closed = state.may_move, state.gate.closed
    if BECOMES[phase, event] in ("-", "!"):
        refused = BECOMES[phase, event] == "-"
        with pytest.raises(Refused if refused else RuntimeError, match="r-0001" if refused else event):
            state.handle(event, "r-0001")
        assert refused or event not in PEOPLES, "what may come at any time has an answer in every state"
        assert not refused or event in ("pause", "pause_moving", "resume", "abort"), "only what a person asks for"
        assert (state.phase, state.may_move, state.gate.closed) == (phase, may_move, closed), "and nothing has changed"
        return
    state.handle(event, "r-0001")
    for asks in (False, True):
        published: State = state.published(asks=asks)
        assert published in get_args(State)
        if published == "paused":
            assert not state.may_move, "a paused run moves nothing"
        if state.phase in ENDING:
            assert published != "paused"
    to_be_broken_off = state.phase == "aborting" and event != "broken_off"
    assert state.gate.closed == (state.phase in WAITING or to_be_broken_off), "steps wait there, and nowhere else"
    if event in ("stop", "stop_homing", "close") and phase not in OVER:
        assert not state.may_move, "who has stopped it wants it to stand"
    if not may_move and state.may_move and phase not in OVER:
        over = event in ("ended", "resume") or (event == "abort" and not stopped) or (phase, event) == ("idle", "begin")
        assert over, "what stood moves again only where somebody wants it to, or where the run is over"
    if phase in OVER:
        assert state.phase == ("running" if event == "begin" else phase)
    if phase in ENDING:
        ends = {"finishing": "done", "failing": "failed", "aborting": "aborted"}[phase]
        assert state.phase == (ends if event == "ended" else phase), "an end goes on to its end and nowhere else"


@pytest.mark.parametrize(
    ("phase", "event"),
    [*((phase, event) for phase in sorted(ENDING) for event in ("pause", "pause_moving")),
     ("finishing", "abort"), ("failing", "abort")],
)  # fmt: skip
def test_a_pause_or_an_abort_while_a_run_is_ending_is_refused_with_the_reason(phase: Phase, event: Event) -> None:
    """It was accepted: the run said `paused`, and its `finally` drove the carriage two seconds later.

    An abort was answered with ok and changed nothing: the run was `done`.
    """
    state = run_in(phase)
    with pytest.raises(Refused, match="r-7 is ending: its `finally` is carried out to the end") as caught:
        state.handle(event, "r-7")
    assert "`stop`" in caught.value.advice


@pytest.mark.parametrize("phase", ["pausing", "paused"])
def test_a_run_that_fails_while_it_is_paused_moves_nothing_at_its_end(phase: Phase) -> None:
    state = run_in(phase)
    state.handle("broken_off")
    assert (state.phase, state.may_move) == ("failing", False)


def test_who_aborts_a_paused_run_has_its_finally_and_who_had_stopped_it_has_not() -> None:
    paused, stopped = run_in("paused"), run_in("paused", stopped=True)
    for state in (paused, stopped):
        state.handle("abort")
    assert (paused.may_move, stopped.may_move) == (True, False)


@pytest.mark.parametrize("event", ["abort", "close"])
async def test_who_is_aborted_on_the_way_back_begins_no_other_step(event: Event) -> None:
    """The next step took the carriage for standing, still on its way back: 'motor and encoder disagree by +1733 um'."""
    state = run_in("returning")
    step = asyncio.create_task(state.gate.passable())
    await state.gate.parked()
    state.handle(event)
    await asyncio.sleep(0.05)
    assert not step.done()
    step.cancel()
    state.handle("broken_off")
    await state.gate.passable()


def test_what_the_run_cannot_go_on_from_fails_it_where_nobody_could_resume() -> None:
    with pytest.raises(BenchdError, match="no room"):
        Gate().hold(BenchdError("disk_full", "no room"))


async def test_a_gate_that_is_opened_and_closed_again_in_one_turn_lets_nobody_pass() -> None:
    state = run_in("paused")
    waiting = asyncio.create_task(state.gate.passable())
    await state.gate.parked()
    for event in ("resume", "back", "pause"):
        state.handle(event)
    await asyncio.sleep(0.05)
    assert not waiting.done()
    state.handle("resume")
    state.handle("back")
    await waiting


async def test_pausing_has_ended_when_the_steps_wait() -> None:
    state = run_in("pausing")
    assert (state.published(asks=False), state.may_move) == ("running", False)
    waiting = asyncio.create_task(state.gate.passable())
    await state.gate.parked()
    assert state.published(asks=False) == "paused"
    state.handle("resume")
    state.handle("back")
    await waiting
