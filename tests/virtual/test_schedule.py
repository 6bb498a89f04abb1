"""A schedule is read as it was written, and cut down to what it takes."""

from __future__ import annotations

import re

import pytest

from benchd.detectors.registry import DETECTORS
from soak_mutants import mutants
from tests.virtual.drawn import CALM, DENSE, drawn
from tests.virtual.ends import installed
from tests.virtual.play import play, shrunk
from tests.virtual.schedule import Step, read, written
from tests.virtual.words import checked


def test_what_is_drawn_is_read_as_it_was_written() -> None:
    for seed in range(50):
        steps = drawn(seed)
        again = read(written(steps))
        assert again == steps


def test_it_reads_as_a_person_would_write_it() -> None:
    text = "# two things at once\n\nt=12.4 alice: move carriage_um=9000\nt=12.41 board: reset\n"
    assert read(text) == [Step(12.4, "alice", "move", {"carriage_um": 9000}), Step(12.41, "board", "reset")]
    assert read('t=1 alice: setup set={"glass": ["pane-25"]} follow=true')[0].args == {
        "set": {"glass": ["pane-25"]},
        "follow": True,
    }


@pytest.mark.parametrize("line", ["alice: move", "t=1 alice move", "t=1 alice: move carriage_um=", "t=1 a: b c"])
def test_a_line_that_is_none_is_named(line: str) -> None:
    with pytest.raises(ValueError, match="line 2: "):
        read(f"t=0 alice: take\n{line}\n")


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("t=1 board: rest", "the board has no 'rest'"),
        ("t=1 world: encoder_stuck value=true", "the world has no 'encoder_stuck'"),
        ("t=1 board: silence sec=3", "'silence' takes s, and not sec"),
        ("t=1 alice: fly", "no person can 'fly'"),
        ("t=1 alice: move by=3", "'move' takes .*, and not by"),
        ('t=1 alice: stop when="noon"', "there is no moment 'noon'"),
    ],
)
def test_a_step_that_nobody_can_play_is_told_before_anything_is_played(line: str, wrong: str) -> None:
    with pytest.raises(ValueError, match=f"{re.escape(line.partition(' ')[2])[:5]}.*{wrong}"):
        play(read(line), 1)


def test_what_the_world_refuses_a_hand_is_no_mistake_of_the_schedule() -> None:
    assert (
        play(read('t=1 hand: fit what="lens" value="L-0417"\nt=1.5 hand: fit what="lens" value="L-0418"'), 1).broken
        == []
    )


def test_what_is_drawn_can_be_played() -> None:
    for seed in range(100):
        checked(drawn(seed))
        checked(drawn(seed, CALM))
        checked(drawn(seed, DENSE))


def test_a_schedule_is_cut_down_to_the_steps_that_it_takes() -> None:
    steps = [Step(float(at), "alice", f"do_{at}") for at in range(40)]
    needed = {steps[3], steps[17], steps[38]}
    tries = 0

    def breaks(fewer: list[Step]) -> bool:
        nonlocal tries
        tries += 1
        return needed <= set(fewer)

    assert shrunk(steps, breaks) == sorted(needed, key=lambda step: step.at_s)  # type: ignore[arg-type]
    assert tries < 200


def test_every_mutant_fits_the_code_that_it_is_of() -> None:
    """`scripts/soak --mutants` applies them; here only that each still stands where it is said to."""
    listed = mutants()
    assert len({mutant.name for mutant in listed}) == len(listed) >= 60


def test_what_stands_in_virtual_time_is_found_whatever_was_looked_up_before() -> None:
    """The registry keeps what it found: a test that had asked before in the same process hid the photodiode."""
    before = DETECTORS.names()
    with installed():
        assert DETECTORS.names() == ("chopper", *before)
    assert DETECTORS.names() == before
