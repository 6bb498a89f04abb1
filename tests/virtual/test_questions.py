"""Questions of a run over MQTT: wrong answers, two people at once, a bench that is busy."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.errors import Refused
from tests.virtual.benches import VirtualBench

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = pytest.mark.asyncio(loop_scope="module")

PROCEDURE = """\
procedure: questions
title: One question of each kind
steps:
  - ask: {name: seated, kind: confirm, text: "Lens seated?"}
  - ask: {name: sure, kind: yes_no, text: "Are you sure?"}
  - ask: {name: colour, kind: choice, text: "Which colour?", choices: [green, amber]}
  - ask: {name: pitch, kind: number, text: "Pitch on the wall?", unit: mm}
  - ask: {name: seen, kind: text, text: "What do you see?"}
  - ask: {name: sharpest, kind: mark, text: "Sharpest now?"}
"""
WRONG: dict[str, list[Any]] = {
    "seated": [False, "yes", 1],
    "sure": ["yes", 1, 0.0],
    "colour": ["red", True, 1, "Green"],
    "pitch": ["12.5", True],
    "seen": [1, False, "x" * 2001],
    "sharpest": ["blurred", True, 1],
}
RIGHT: dict[str, Any] = {
    "seated": True, "sure": False, "colour": "amber", "pitch": 12.5, "seen": "a line", "sharpest": "sharp",
}  # fmt: skip


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    """A bench with a procedure of its owner's beside its file."""
    files = {"procedures/questions.yaml": PROCEDURE}
    async with VirtualBench(tmp_path_factory.mktemp("questions"), files=files) as bench:
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def clients(bench: VirtualBench) -> AsyncIterator[tuple[BenchClient, BenchClient]]:
    """One at the bench, who holds control, and one at the wall, who does not."""
    async with bench.client("rail") as rail, bench.client("wall") as wall:
        await rail.command("take", beat=False)
        yield rail, wall
        await rail.command("release", beat=False)


async def question(client: BenchClient, run: str, name: str | None = None) -> dict[str, Any]:
    """The question that waits (of that name), or the next that does."""
    async with asyncio.timeout(120):
        async for state in client.follow(run):
            if state["ask"] is not None and name in (None, state["ask"]["name"]):
                return dict(state["ask"])
    raise AssertionError(f"{run} ended without asking {name}")


async def end(client: BenchClient, run: str) -> str:
    """The state in which a run ends."""
    async with asyncio.timeout(120):
        *_, last = [state["state"] async for state in client.follow(run)]
    return str(last)


def code(refused: pytest.ExceptionInfo[Refused]) -> str:
    return str(refused.value.code)


async def test_wrong_answers_are_refused_and_the_question_stays(clients: tuple[BenchClient, BenchClient]) -> None:
    rail, wall = clients
    run = await rail.run("questions")
    for name, wrong in WRONG.items():
        ask = await question(wall, run, name)
        assert wall.state()["procedure"]["state"] == "asking"
        for value in wrong:
            with pytest.raises(Refused) as refused:
                await wall.answer(ask["ask"], value)
            assert code(refused) == "bad_request", (name, value)
        assert (await question(wall, run, name))["ask"] == ask["ask"]
        assert await wall.answer(ask["ask"], RIGHT[name]) == {"value": RIGHT[name]}
        with pytest.raises(Refused) as refused:
            await wall.answer(ask["ask"], RIGHT[name])
        assert code(refused) == "not_found", "it was answered already"
    assert await end(rail, run) == "done"


async def test_first_valid_answer_wins(clients: tuple[BenchClient, BenchClient]) -> None:
    rail, wall = clients
    run = await rail.run("questions")
    ask = await question(rail, run)
    with pytest.raises(Refused):
        await rail.answer(ask["ask"], False)  # came first, but is no answer
    both = await asyncio.gather(wall.answer(ask["ask"], True), rail.answer(ask["ask"], True), return_exceptions=True)
    refused = [one for one in both if isinstance(one, Refused)]
    assert [one for one in both if one not in refused] == [{"value": True}]
    assert [one.code for one in refused] == ["not_found"]
    await question(rail, run, "sure")
    await wall.command("abort", beat=False, run=run)
    assert await end(rail, run) == "aborted"
    assert rail.state()["procedure"]["ask"] is None


async def test_unknown_question_is_refused(clients: tuple[BenchClient, BenchClient]) -> None:
    rail, wall = clients
    with pytest.raises(Refused) as refused:
        await wall.answer("a-none", True)
    assert code(refused) == "not_found"
    run = await rail.run("questions")
    await question(rail, run)
    with pytest.raises(Refused) as refused:
        await wall.answer("a-none", True)
    assert code(refused) == "not_found"
    await rail.command("abort", beat=False, run=run)
    assert await end(rail, run) == "aborted"


async def test_no_answer_is_given_before_its_question(clients: tuple[BenchClient, BenchClient]) -> None:
    """What names a question has heard it: its name cannot be guessed, comes once, and opens no question after it."""
    rail, wall = clients
    seen: list[str] = []
    for _ in range(2):
        run = await rail.run("questions")
        seen.append((await question(wall, run, "seated"))["ask"])
        await wall.answer(seen[-1], True)
        seen.append((await question(wall, run, "sure"))["ask"])
        for old in seen[:-1]:
            with pytest.raises(Refused) as refused:
                await wall.answer(old, True)
            assert code(refused) == "not_found"
        await rail.command("abort", beat=False, run=run)
        assert await end(rail, run) == "aborted"
    assert len({one[:6] for one in seen}) == len(seen), "they count up"
    assert all(len(one) >= 12 for one in seen)


async def test_bench_that_runs_is_busy(clients: tuple[BenchClient, BenchClient]) -> None:
    rail, wall = clients
    run = await rail.run("questions")
    await question(rail, run)
    asked: list[tuple[str, dict[str, Any]]] = [
        ("run", {"procedure": "questions", "inputs": {}}),
        ("home", {}),
        ("setup", {"set": {"trim_um": 1.0}}),
    ]
    for verb, args in asked:
        with pytest.raises(Refused) as refused:
            await rail.command(verb, **args)
        assert code(refused) == "busy", verb
        assert refused.value.data == {"doing": "run", "run": run, "state": "asking"}
        assert refused.value.text == f"The bench is busy with run {run}, which is asking."
        assert refused.value.advice == "Answer its question, or abort it."
    with pytest.raises(Refused) as refused:
        await wall.run("questions")
    assert code(refused) == "not_holder"
    state = rail.state()["procedure"]
    assert (state["run"], state["state"]) == (run, "asking"), "what was refused left the run alone"
    await rail.stop()
    with pytest.raises(Refused) as refused:
        await rail.command("home")
    assert refused.value.data["state"] == "paused"
    assert refused.value.advice == "Resume or abort it.", "a stop has paused it, and no waiting will end it"
    await rail.command("abort", beat=False, run=run)
    assert await end(rail, run) == "aborted"
    with pytest.raises(Refused) as refused:
        await rail.command("abort", beat=False, run=run)
    assert code(refused) == "unknown_name"
