"""A lens whose rear nobody has measured: a person is asked before the carriage comes nearer, also where it follows."""

from __future__ import annotations

import re
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from benchd.errors import Refused
from benchd.files.loading import LoadedBench, load_bench
from benchd.procedures.library import Library
from tests.bench.datum.wall_chain import CONFIGS
from tests.fakes.bench import USER, FakeBench, fake_bench, library, yes

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"
DEEP = "L-0900"
"""A lens whose rear would be met below the lower limit."""
GIVEN: dict[str, Any] = {
    "lens": LENS, "adapters": [RING], "glass": [PANE], "f_number": 2.0, "distance_mm": 5000.0, "repeats": 1
}  # fmt: skip
STANDS = {"lens": LENS, "adapters": [RING], "glass": [], "distance_mm": 5000.0, "ring": "infinity", "trim_um": 0.0}
PROCEDURES = {
    "looks": """
steps:
  - nominal: {}
  - light: {light: target_light, level: 0.4}
  - sweep: {}
finally:
  - light: {light: target_light, level: 0}
""",
    "homes": "steps: [home: {axes: [carriage]}]",
    "to_nominal": "steps: [home: {axes: [carriage], only_if_unhomed: true}, nominal: {}]",
    "homes_if_asked": """
steps:
  - ask: {name: go, kind: yes_no, text: "Home?", save: go}
  - if: {answer: go, is: true}
    then: [home: {axes: [carriage]}]
""",
    "follows": f"steps: [setup: {{glass: [{PANE}], follow: true}}]",
}


@pytest.fixture(scope="module")
def procedures(tmp_path_factory: pytest.TempPathFactory) -> Library:
    return library(tmp_path_factory.mktemp("procedures"), PROCEDURES)


@pytest.fixture(scope="module")
def unmeasured(tmp_path_factory: pytest.TempPathFactory) -> LoadedBench:
    """The workshop, whose record of a lens made for air says nothing of its rear."""
    folder = tmp_path_factory.mktemp("rear") / "workshop"
    shutil.copytree(CONFIGS / "workshop", folder)
    lens = folder / "lenses" / f"{LENS}.yaml"
    lines = lens.read_text().splitlines(keepends=True)
    # Without glass it stands as it was made to, so that nothing else is asked about.
    left = [line for line in lines if not line.startswith(("rear_protrusion_mm", "designed_for_glass"))]
    assert len(left) == len(lines) - 2
    lens.write_text("".join(left))
    deep = "".join(left).replace(LENS, DEEP) + "rear_protrusion_mm: 39\n"
    lens.with_name(f"{DEEP}.yaml").write_text(deep)
    return load_bench(folder / "bench.yaml")


@pytest.fixture
async def cold(tmp_path: Path, unmeasured: LoadedBench, procedures: Library) -> AsyncIterator[FakeBench]:
    """Not homed, with the lens on it."""
    async with fake_bench(tmp_path, unmeasured, procedures) as made:
        await made.bench.setup.change(STANDS)
        yield made


@pytest.fixture
async def made(tmp_path: Path, unmeasured: LoadedBench, procedures: Library) -> AsyncIterator[FakeBench]:
    """At nominal of the bare lens, a person having looked."""
    async with fake_bench(tmp_path, unmeasured, procedures) as made:
        await made.bench.home(["carriage"])
        await made.bench.setup.change(STANDS)
        run = await made.run("looks")
        await rear_question(made)
        made.answer(True)
        assert await made.ended(run) == "done"
        made.axis.asked.clear()
        yield made


async def rear_question(made: FakeBench) -> dict[str, Any]:
    """The question about the rear that waits."""
    await made.said("asking")
    ask: dict[str, Any] = made.doc["ask"]
    assert (ask["name"], ask["kind"]) == ("rear_clear", "yes_no")
    return ask


async def test_nothing_comes_near_before_somebody_has_looked(cold: FakeBench) -> None:
    await cold.bench.setup.change({"lens": None, "adapters": []})
    await cold.bench.home(["carriage"])
    await cold.bench.move_carriage(25_000.0)
    await cold.bench.setup.change(STANDS)
    cold.axis.asked.clear()
    asked: tuple[tuple[str, dict[str, Any]], ...] = (("nominal", {}), ("move", {"carriage_um": 26_000.0}), ("home", {}))
    for verb, args in asked:
        with pytest.raises(Refused) as refused:
            await cold.command(verb, args)
        assert (refused.value.code, refused.value.data.get("question")) == ("clearance", True), verb
        assert LENS in str(refused.value)
    for answer, ends in ((False, "failed"), (True, "done")):
        run = await cold.run("to_nominal")
        await rear_question(cold)
        assert cold.moves_um == []
        cold.answer(answer)
        assert await cold.ended(run) == ends
    assert cold.axis.carriage_um == pytest.approx(cold.bench.nominal_target(), abs=1.0)
    await cold.command("nominal", {})  # as it was seen to be clear, for lens and glass as they stand
    await cold.bench.jobs.wait()
    await cold.bench.setup.change({"glass": [PANE]})
    with pytest.raises(Refused) as refused:
        await cold.command("nominal", {})
    assert refused.value.code == "clearance"
    await cold.run("to_nominal")
    await rear_question(cold)


async def test_no_homing_with_a_lens_in_the_way(made: FakeBench) -> None:
    await made.bench.move_carriage(25_000.0)
    await made.bench.setup.change({"lens": DEEP})
    made.axis.asked.clear()
    with pytest.raises(Refused, match="home switch") as refused:
        await made.command("home", {})
    assert refused.value.code == "clearance"
    with pytest.raises(Refused, match="home switch"):
        await made.run("homes")
    # Where only the run itself can know, it is refused in its step.
    run = await made.run("homes_if_asked")
    await made.said("asking")
    made.answer(True)
    assert await made.ended(run) == "failed"
    (event,) = made.events("clearance")
    assert "home switch" in event["text"]
    assert (made.moves_um, made.bench.trust.homed) == ([], True), "no homing has begun"
    await made.bench.setup.change({"lens": None})
    await made.bench.home(["carriage"])


async def test_a_run_paused_before_its_first_homing_goes_on_with_it(cold: FakeBench) -> None:
    run = await cold.run("homes")
    await rear_question(cold)
    await cold.runner.stop("wall")
    assert cold.state == "paused"
    cold.answer(True)
    await cold.clock.sleep(10.0)
    assert (cold.state, cold.moves_um) == ("paused", [])
    cold.runner.resume(run, USER)
    assert await cold.ended(run) == "done"
    assert cold.bench.trust.homed


async def test_a_toggled_plate_is_asked_about_as_the_dry_run_says_and_finishes(cold: FakeBench) -> None:
    plan = await cold.runner.dry_run("glass_toggle", GIVEN)
    assert plan["problems"] == []
    cold.person.says = yes
    run = await cold.run("glass_toggle", **GIVEN)
    assert await cold.ended(run) == "done"
    asked = [ask.text for ask in cold.person.asked]
    # What has been found since stands before a question, and no dry run knows it.
    assert len(asked) == len(plan["asks"])
    for text, foreseen in zip(asked, plan["asks"], strict=True):
        assert text == foreseen or (text.startswith("Found: ") and text.endswith(f" {foreseen}"))
    rear = [text for text in asked if LENS in text.rpartition(": is that meant? ")[2]]
    assert [PANE in text for text in rear] == [False, True, False], "of the set-up about to be, and of no other"


async def test_a_no_leaves_set_up_and_carriage_as_they_were(made: FakeBench) -> None:
    rev = made.bench.setup.document.rev
    run = await made.run("follows")
    await rear_question(made)
    made.answer(False)
    assert await made.ended(run) == "failed"
    after = made.bench.setup.document
    assert (after.rev, after.glass, after.stale, made.moves_um) == (rev, (), False, [])
    (event,) = made.events("clearance")
    assert "Not seen to be clear" in event["text"]
    await made.bench.nominal()  # what was seen of the bare lens still counts


async def test_a_yes_given_in_a_pause_moves_nothing_until_resumed(made: FakeBench) -> None:
    stood_um = made.axis.carriage_um
    run = await made.run("follows")
    await rear_question(made)
    made.runner.pause(run, USER)
    made.answer(True)
    await made.clock.sleep(10.0)
    assert (made.state, made.moves_um) == ("paused", [])
    made.runner.resume(run, USER)
    assert await made.ended(run) == "done"
    went_um = made.axis.carriage_um - stood_um
    assert went_um > 700.0, "2.5 mm of glass take the focus 858 um away, and the sweep ends within 88 um of it"


async def test_a_yes_for_parts_that_were_never_put_in_is_no_yes_for_the_next_run(made: FakeBench) -> None:
    run = await made.run("follows")
    await rear_question(made)
    made.runner.pause(run, USER)
    made.answer(True)
    await made.runner.abort(run, USER)
    assert await made.ended(run) == "aborted"
    run = await made.run("follows")
    await rear_question(made)
    made.answer(False)
    assert await made.ended(run) == "failed"
    assert made.moves_um == []


async def test_another_place_of_the_ring_may_be_another_place_of_the_rear(made: FakeBench) -> None:
    await made.bench.nominal()
    await made.bench.setup.change({"ring": "hard_stop"})
    with pytest.raises(Refused) as refused:
        await made.bench.nominal()
    assert refused.value.code == "clearance"


async def test_a_search_goes_no_nearer_than_the_question_and_the_dry_run_said(made: FakeBench) -> None:
    """The focus is farther off than anybody asked to look: the search goes as far as it may, and gives up."""
    await made.bench.move_carriage(made.bench.nominal_target() + 1000.0)
    await made.bench.setup.change({"lens": None})
    await made.bench.setup.change(STANDS | {"trim_um": 900.0})
    plan = await made.runner.dry_run("looks", {})
    (sweep,) = [entry for entry in plan["entries"] if entry["verb"] == "sweep"]
    made.axis.asked.clear()
    run = await made.run("looks")
    ask = await rear_question(made)
    assert [ask["text"]] == plan["asks"]
    named = re.search(r"may go down to (-?\d+) µm on its scale", ask["text"])
    assert named is not None
    made.answer(True)
    assert await made.ended(run) == "failed"
    been = [um for um in made.moves_um if um is not None]
    assert min(been) < sweep["to_um"] - 600.0, "or it has shown nothing"
    assert float(named[1]) <= min(been)
    assert sweep["reach_um"][0] - 1.0 <= min(been) < max(been) <= sweep["reach_um"][1] + 1.0


async def test_a_no_to_the_next_question_is_no_yes(cold: FakeBench) -> None:
    """Each set-up is asked about by itself: a no in the middle of a toggle ends it there."""

    cold.person.says = lambda ask: not (PANE in ask.text and "clear" in ask.text)
    run = await cold.run("glass_toggle", **GIVEN)
    assert await cold.ended(run) == "failed"
    (event,) = cold.events("clearance")
    assert "Not seen to be clear" in event["text"]
    assert cold.bench.setup.document.glass == ()
