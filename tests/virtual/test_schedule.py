"""A schedule is read as it was written, and cut down to what it takes."""

from __future__ import annotations

import pytest

from soak_mutants import mutants
from tests.virtual.drawn import drawn
from tests.virtual.play import shrunk
from tests.virtual.schedule import Step, read, written


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
    assert len({mutant.name for mutant in listed}) == len(listed) > 30
