"""One sweep without a peak costs a question, not the run; until it is answered nothing moves and the target is dark."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.devices import Ask
from benchd.files.loading import LoadedBench
from tests.fakes.bench import FakeBench, fake_bench, library, yes

STUDY = {"lenses": ["L-0417"], "people": ["one"], "trials": 6}
TOGGLE = {
    "lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "distance_mm": 5000.0, "f_number": 2.0,
    "repeats": 1,
}  # fmt: skip
"""At f/2, as the curve of the fake lens is no wider."""
FAR_UM = 5000.0


@pytest_asyncio.fixture
async def made(tmp_path: Path, wall: LoadedBench) -> AsyncIterator[FakeBench]:
    async with fake_bench(tmp_path, wall, library(tmp_path, {})) as made:
        await made.ready()
        yield made


def mishap(made: FakeBench, sweep: int, answers: list[Any]) -> tuple[list[str], Callable[[Ask], Any]]:
    """What was asked, and a person who seats the lens badly before the given question and says `answers` when asked to
    look again; a yes puts it right, a 'still' does not."""
    seen: list[str] = []
    seated = 0

    def says(ask: Ask) -> Any:
        nonlocal seated
        if "Look again" in ask.text:
            assert made.lamp.now == 0.0, "hands go in"
            seen.append(ask.text)
            answer = answers.pop(0)
            if answer is True:
                made.error_um = 6.0
            return answer is not False
        seated += ask.kind == "confirm"
        if seated == sweep and ask.kind == "confirm":
            made.error_um = FAR_UM
        return yes(ask)

    return seen, says


@pytest.mark.parametrize(("name", "inputs"), [("joint_study", STUDY), ("glass_toggle", TOGGLE)])
@pytest.mark.parametrize("sweep", [1, 2])
async def test_it_is_looked_again_and_the_run_goes_on(
    made: FakeBench, name: str, inputs: dict[str, Any], sweep: int
) -> None:
    """Half an hour of seatings was lost by one that a person had not pushed home."""
    seen, made.person.says = mishap(made, sweep, ["still", True])
    assert await made.ended(await made.run(name, **inputs)) == "done"
    assert len(seen) == 2
    assert seen[0].partition("No best focus within reach.")[1]
    assert "Look again, 3 more times at the most?" in seen[0]
    assert "Look again, 2 more times at the most?" in seen[1]
    assert made.lamp.now == 0.0


async def test_a_no_ends_the_run_and_so_does_the_last_time(made: FakeBench) -> None:
    _, made.person.says = mishap(made, 1, [False])
    run = await made.run("joint_study", **STUDY)
    assert await made.ended(run) == "failed"
    seen, made.person.says = mishap(made, 1, ["still", "still", "still"])
    run = await made.run("joint_study", **STUDY)
    assert await made.ended(run) == "failed"
    assert len(seen) == 3
    await made.until(lambda: len(made.events("not_found")) == 2)


async def test_stopped_while_it_is_asked_it_looks_again_only_after_resume(made: FakeBench) -> None:
    seen, says = mishap(made, 1, [True])
    made.person.says = lambda ask: None if "Look again" in ask.text else says(ask)
    run = await made.run("joint_study", **STUDY)
    await made.until(lambda: made.doc["ask"] is not None and made.doc["ask"]["name"] == "look_again")
    await made.runner.stop("rail")
    moved = len(made.moves_um)
    made.error_um = 6.0
    made.person.says = yes
    made.answer(True)
    await made.clock.sleep(60.0)
    assert (made.state, len(made.moves_um), made.lamp.now) == ("paused", moved, 0.0)
    made.runner.resume(run, "rail")
    assert await made.ended(run) == "done"
    assert seen == []


def dropped_light(made: FakeBench, says: Callable[[Ask], Any]) -> tuple[list[float], Callable[[Ask], Any]]:
    """The levels that were dropped, and a person during whose answer to look again a stop is pressed so late that it
    takes the lamp's next level with it."""
    dropped: list[float] = []

    async def drop(level: float) -> None:
        dropped.append(level)
        made.lamp.drops = None
        await made.runner.stop("rail")

    def person(ask: Ask) -> Any:
        if "Look again" in ask.text:
            made.lamp.drops = drop
        return says(ask)

    return dropped, person


async def test_a_stop_that_drops_the_light_after_the_answer_does_not_leave_the_lamp_dark(made: FakeBench) -> None:
    """The step was repeated with the lamp at 0, and 0 was what it went back to from then on."""
    seen, says = mishap(made, 1, [True])
    dropped, made.person.says = dropped_light(made, says)
    run = await made.run("joint_study", **STUDY)
    await made.said("paused")
    assert (dropped, made.lamp.now) == ([0.4], 0.0)
    before = len(made.lamp.set_to)
    made.runner.resume(run, "rail")
    assert await made.ended(run) == "done"
    assert made.lamp.set_to[before] == 0.4
    assert len(seen) == 1


async def test_a_stop_does_not_count_the_retries_anew(made: FakeBench) -> None:
    """Each one that had the step repeated gave three more."""
    seen, says = mishap(made, 1, ["still"] * 9)
    dropped, made.person.says = dropped_light(made, says)
    run = await made.run("joint_study", **STUDY)
    for times in (1, 2, 3):
        await made.said("paused")
        assert len(dropped) == len(seen) == times
        made.runner.resume(run, "rail")
        await made.until(lambda: made.state != "paused")
    assert await made.ended(run) == "failed"
    assert [text.partition("Look again, ")[2][:6] for text in seen] == ["3 more", "2 more", "1 more"]
