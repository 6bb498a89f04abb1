"""Pictures of the barrel beside a run: kept at its begin, answers and end, and nothing waits for them."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from benchd.bench.assembly import build
from benchd.bench.barrel_view import MOST_A_RUN, MOST_BYTES
from benchd.cli import exits
from benchd.cli.main import main
from benchd.devices import Clock, Frame, LinkTimeout
from benchd.errors import BenchdError
from benchd.files.loading import LoadedBench, load_bench
from benchd.files.problems import FileProblems
from benchd.procedures.library import Library
from benchd.records.reader import Reader
from benchd.testing.virtual_time import VirtualClock
from tests.bench.datum.wall_chain import CONFIGS
from tests.fakes.bench import FakeBench, fake_bench, library
from tests.fakes.devices import FakeCamera
from tests.records.test_store import finding

URL = "sqlite:///bench.db"
PROCEDURES = {
    "asks": """
steps:
  - move: {carriage_um: 20000}
  - ask: {name: seated, kind: confirm, text: "Seated?"}
  - move: {carriage_um: 25000}
""",
    "only_moves": "steps: [move: {carriage_um: 20000}, move: {carriage_um: 25000}]",
    "asks_on": """
steps:
  - repeat: 30
    steps: [ask: {name: seated, kind: confirm, text: "Seated?"}]
""",
}


class Still(FakeCamera):
    """A picture each `takes_s`, another one each time; `breaks` has it raise, and `hangs` never answer."""

    def __init__(self, name: str, clock: Clock) -> None:
        super().__init__(name, clock)
        self.clock = clock
        self.takes_s = 0.1
        self.taken = 0
        self.size = 100
        self.breaks: Exception | None = None
        self.hangs = False

    async def grab(self) -> Frame:
        if self.hangs:
            await asyncio.Event().wait()
        if self.breaks is not None:
            raise self.breaks
        await self.clock.sleep(self.takes_s)
        self.taken += 1
        data = b"\xff\xd8\xff" + bytes([self.taken]) + bytes(self.size)
        return Frame(data, "image/jpeg", self.clock.monotonic(), self.clock.utc())


@pytest.fixture(scope="module")
def procedures(tmp_path_factory: pytest.TempPathFactory) -> Library:
    return library(tmp_path_factory.mktemp("procedures"), PROCEDURES)


@pytest.fixture
async def still() -> Still:
    return Still("witness", VirtualClock())


@pytest.fixture
async def made(tmp_path: Path, wall: LoadedBench, procedures: Library, still: Still) -> AsyncIterator[FakeBench]:
    async with fake_bench(tmp_path, wall, procedures, more={"barrel_view": still}) as made:
        await made.ready()
        made.person.says = lambda ask: True
        made.told.clear()
        yield made


def told(made: FakeBench) -> list[Mapping[str, Any]]:
    return [event["data"] for event in made.events("barrel_view")]


async def test_begin_answers_and_end_are_kept_with_the_run(made: FakeBench, still: Still, tmp_path: Path) -> None:
    run = await made.run("asks")
    assert await made.ended(run) == "done"
    await made.until(lambda: len(told(made)) == 3)
    assert [data["moment"] for data in told(made)] == ["the begin", "an answer", "the end"]
    assert {data["of"] for data in told(made)} == {run}
    await made.clock.sleep(1.0)
    with Reader.open(URL, tmp_path) as reader:
        pictures = reader.barrel_pictures(run)
        assert [one.name for one in pictures] == [f"{run}-barrel-0{number}.jpg" for number in (1, 2, 3)]
        assert [reader.file(one.file or "")[3] for one in pictures] == [1, 2, 3]
        with pytest.raises(BenchdError, match="no file"):
            reader.file("0")


async def moves_alone(made: FakeBench) -> tuple[str, float]:
    """How a run ends, and how long it takes."""
    began = made.clock.monotonic()
    state = await made.ended(await made.run("only_moves"))
    return state, made.clock.monotonic() - began


async def test_a_camera_that_hangs_costs_its_pictures_and_no_time(made: FakeBench, still: Still) -> None:
    await moves_alone(made)  # from nominal; from here on each begins where the last one ended
    usual = await moves_alone(made)
    await made.until(lambda: len(told(made)) == 4)
    made.told.clear()
    still.hangs = True
    state, took_s = await moves_alone(made)
    assert state == usual[0] == "done"
    assert took_s == pytest.approx(usual[1], abs=0.001)
    await made.until(lambda: len(told(made)) == 1)
    assert all(data["file"] is None for data in told(made))
    severities = {event["severity"] for event in made.events("barrel_view")}
    assert severities == {"warning"}


@pytest.mark.parametrize("error", [LinkTimeout("witness: no answer."), RuntimeError("of a driver")])
async def test_a_camera_that_fails_is_told_and_the_run_goes_on(made: FakeBench, still: Still, error: Exception) -> None:
    still.breaks = error
    run = await made.run("only_moves")
    assert await made.ended(run) == "done"
    await made.until(lambda: len(told(made)) == 2)
    event = made.events("barrel_view")[0]
    assert f"no picture of the barrel at the begin of {run}" in event["text"]
    assert str(error).rstrip(".") in event["text"]


async def test_a_picture_that_comes_late_says_so_and_one_too_large_is_not_kept(made: FakeBench, still: Still) -> None:
    still.takes_s = 4.0
    run = await made.run("asks")
    await made.ended(run)
    await made.until(lambda: len(told(made)) == 3)
    assert any("taken 4 s after it" in data["moment"] for data in told(made))
    made.told.clear()
    still.takes_s, still.size = 0.1, MOST_BYTES
    await made.ended(await made.run("only_moves"))
    await made.until(lambda: len(told(made)) == 2)
    assert "8 are kept at the most" in made.events("barrel_view")[0]["text"]


async def test_a_full_disk_costs_the_picture_alone(
    made: FakeBench, still: Still, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def full(*_: object) -> None:
        raise BenchdError("disk_full", "The disk is full.", advice="Make room.")

    monkeypatch.setattr(made.bench.store, "add_file", full)
    run = await made.run("only_moves")
    assert await made.ended(run) == "done"
    await made.until(lambda: len(told(made)) == 2)
    assert "The disk is full." in made.events("barrel_view")[0]["text"]


async def test_what_asks_on_and_on_is_seen_so_many_times(made: FakeBench, still: Still) -> None:
    await made.ended(await made.run("asks_on"))
    await made.clock.sleep(5.0)
    assert still.taken == MOST_A_RUN


async def test_without_the_role_nothing_is_told(tmp_path: Path, wall: LoadedBench, procedures: Library) -> None:
    async with fake_bench(tmp_path, wall, procedures) as made:
        await made.ready()
        await made.ended(await made.run("only_moves"))
        assert made.events("barrel_view") == []


async def test_pictures_are_shown_with_the_run_and_written_with_its_report(
    made: FakeBench, still: Still, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run = await made.run("asks")
    await made.ended(run)
    await made.until(lambda: len(told(made)) == 3)
    still.breaks = LinkTimeout("witness: no answer.")
    other = await made.run("only_moves")
    await made.ended(other)
    await made.until(lambda: len(told(made)) == 5)
    name = await made.bench.store.add_finding(finding(run))
    monkeypatch.chdir(tmp_path)

    def commands() -> None:
        assert main(["report", name, "--json", "--store", URL]) == exits.DONE
        said = json.loads(capsys.readouterr().out)["barrel"]
        assert [one["name"] for one in said] == [f"{run}-barrel-0{number}.jpg" for number in (1, 2, 3)]
        assert not list(tmp_path.glob("*.jpg")), "a program asks for words"
        assert main(["report", name, "--store", URL]) == exits.DONE
        assert "These 3 files are in" in capsys.readouterr().out
        assert [path.read_bytes()[3] for path in sorted(tmp_path.glob(f"{run}-barrel-*.jpg"))] == [1, 2, 3]
        assert main(["show", "run", run, "--store", URL]) == exits.DONE
        assert f"an answer: {run}-barrel-02.jpg" in capsys.readouterr().out
        assert main(["show", "run", other, "--store", URL]) == exits.DONE
        assert "witness: no answer." in " ".join(capsys.readouterr().out.split())

    await asyncio.to_thread(commands)


def test_the_role_is_for_a_camera(tmp_path: Path) -> None:
    text = (
        (CONFIGS / "workshop" / "bench.yaml")
        .read_text(encoding="utf-8")
        .replace("indicator: dial", "barrel_view: dial")
    )
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    for folder in ("adapters", "glasses", "lenses", "references"):
        (tmp_path / folder).symlink_to(CONFIGS / "workshop" / folder)
    with pytest.raises(FileProblems) as caught:
        build(load_bench(tmp_path / "bench.yaml"))
    (problem,) = caught.value.problems
    assert (problem.key, problem.allowed) == ("roles.barrel_view", "the name of a device that is a camera")
