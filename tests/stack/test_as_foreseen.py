"""What a bench refuses is foreseen in the same words; a gauge that stands wrong is seated again."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.errors import Refused
from stack import CONFIGS, Stack
from technician import Technician
from tests.stack.conftest import PACE, quiet

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

SETUP = {"lens": "L-0417", "adapters": ["ring-07"], "ring": "infinity", "distance_mm": 5000.0}
IN_VAIN: dict[str, tuple[str, dict[str, Any]]] = {
    "by_degrees": ("move", {"axis": "carriage", "to_deg": 5.0}),
    "not_driven": ("move", {"axis": "lamp", "by_um": 5.0}),
    "home_a_lamp": ("home", {"axes": ["lamp"]}),
    "a_star": ("sweep", {"merit": "star"}),
    "continuous": ("sweep", {"mode": "continuous"}),
    "no_gauge": ("read", {"device": "thermo"}),
    "no_reading": ("read", {"device": "target_light"}),
    "no_light": ("light", {"light": "lantern", "level": 0.2}),
}
"""Procedures of one step, by name: what the step asks for, which no run can give."""
OTHERS = {
    "goes_dark": "steps: [light: {level: 0.2, for_s: 600}]",
    "lit_a_while": "steps: [light: {level: 0.2, for_s: 2.5}]",
    "reads": """
steps:
  - setup: {lens: null, adapters: [], glass: []}
  - home: {axes: [carriage]}
  - move: {axis: carriage, depth_um: 45000}
  - repeat: 2
    steps:
      - ask: {name: bridge, kind: confirm, text: "Bridge on the base face?"}
      - read: {device: indicator, as: on_base}
""",
}


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def stack(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Stack]:
    """A bench with these procedures beside its file."""
    folder: Path = tmp_path_factory.mktemp("foreseen")
    shutil.copytree(CONFIGS / "workshop", folder / "workshop")
    procedures = folder / "workshop" / "procedures"
    procedures.mkdir()
    roles = "needs: {roles: [carriage, detector, indicator, target_light]}"
    steps = {name: f"steps: [{verb}: {_flow(args)}]" for name, (verb, args) in IN_VAIN.items()}
    for name, text in (steps | OTHERS).items():
        (procedures / f"{name}.yaml").write_text(f"procedure: {name}\ntitle: t\n{roles}\n{text}\n")
    async with Stack(pace=PACE, folder=folder) as stack:
        yield stack


def _flow(args: dict[str, Any]) -> str:
    return "{" + ", ".join(f"{key}: {value}" for key, value in args.items()).replace("'", "") + "}"


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def client(stack: Stack) -> AsyncIterator[BenchClient]:
    """Control of a bench that is homed and stands at nominal: nothing is refused for where it stands."""
    async with stack.client("rail") as client:
        await client.command("take", beat=False)
        await client.command("setup", set=SETUP)
        await client.do("home")
        await client.do("nominal")
        yield client


@pytest.mark.parametrize("name", IN_VAIN)
async def test_what_the_bench_refuses_is_foreseen_in_its_words(client: BenchClient, name: str) -> None:
    """A dry run found nothing wrong with degrees on a carriage, a star, a continuous sweep, absent devices."""
    verb, args = IN_VAIN[name]
    with pytest.raises(Refused) as live:
        await client.command(verb, **args)
    plan = await client.command("run", beat=False, procedure=name, dry=True)
    assert plan["problems"] == [f"{verb}: {live.value.text}"]
    with pytest.raises(Refused) as run:
        await client.run(name)
    assert (run.value.code, run.value.advice) == (live.value.code, live.value.advice)
    assert run.value.text.endswith(live.value.text)


async def test_a_light_that_goes_dark_later_takes_the_time_that_was_foreseen(client: BenchClient) -> None:
    """600 s were foreseen, 0.2 s it took."""
    plan = await client.command("run", beat=False, procedure="goes_dark", dry=True)
    assert plan["seconds"] == plan["seconds_at_most"] == 0.0
    run = await client.run("goes_dark")
    *_, last = [state async for state in client.follow(run)]
    assert last["state"] == "done"
    with pytest.raises(Refused, match="for_s"):
        await client.command("light", level=0.2, for_s=-100)


@pytest.mark.parametrize("way", ["verb", "step"])
async def test_a_light_given_for_a_time_is_dark_after_it(client: BenchClient, way: str) -> None:
    await client.command("light", on=False)
    heard = client.watch("device/target_light")
    if way == "verb":
        await client.command("light", level=0.2, for_s=2.5)
    else:
        await client.run("lit_a_while")
    lit = False
    async with asyncio.timeout(60.0):
        async for _, doc in heard:
            lit = lit or doc["level"] == pytest.approx(0.2, abs=0.01)
            if lit and doc["level"] == 0.0:
                return


async def asked(client: BenchClient, run: str, known: set[str]) -> dict[str, Any]:
    """The next question of a run."""
    async with asyncio.timeout(60.0):
        async for state in client.follow(run):
            if state["ask"] is not None and state["ask"]["ask"] not in known:
                known.add(state["ask"]["ask"])
                return dict(state["ask"])
    raise AssertionError(f"{run} ended without a question")


async def test_a_gauge_that_stands_wrong_is_seated_again_three_times(stack: Stack, client: BenchClient) -> None:
    """One mis-seated gauge ended a calibration of 32 questions."""
    Technician(stack, client, quiet).clear()
    events = client.events()
    run, known = await client.run("reads"), set[str]()
    first = await asked(client, run, known)
    assert first["text"] == "Round 1 of 2: Bridge on the base face?"
    await client.answer(first["ask"], True)
    again = await asked(client, run, known)
    assert (again["name"], again["kind"]) == ("seat_again", "confirm")
    assert again["text"].startswith("Round 1 of 2: indicator reads 999.9 um, which is out of its range. Seat it again")
    stack.hand("set", "indicator", "base")
    await client.answer(again["ask"], True)
    second = await asked(client, run, known)
    assert second["text"].startswith("Round 2 of 2: Bridge"), "the run went on with the next round"
    stack.hand("set", "indicator", "away")
    await client.answer(second["ask"], True)
    for _ in range(3):
        again = await asked(client, run, known)
        assert again["name"] == "seat_again"
        await client.answer(again["ask"], True)
    *_, last = [state async for state in client.follow(run)]
    assert last["state"] == "failed"
    async with asyncio.timeout(10.0):
        async for _, event in events:
            if event["code"] == "not_found":
                assert "indicator reads 999.9 um" in event["text"]
                assert event["text"].endswith("It was seated again 3 times.")
                break
