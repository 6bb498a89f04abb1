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
    "continuous": ("sweep", {"mode": "continuous"}),
    "many_points": ("sweep", {"span_um": 90000.0, "step_um": 0.001}),
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

ASKS = '  - ask: {name: seated, kind: confirm, text: "Seated?"}\n'
IN, OUT = ASKS.replace("seated", "glass_in"), ASKS.replace("seated", "glass_out")
SWEEP = "  - sweep: {merit: edge}\n"
GOES = "steps:\n  - nominal: {}\n  - light: {light: target_light, level: 0.4}\n"
OWN, NO_GLASS = "  - setup: {glass: [pane-25], follow: true}\n", "  - setup: {glass: [], follow: true}\n"
WITHOUT = "Lens L-0417 stands without glass, while its record says that it was designed for pane-25: is that meant?"
OF_GLASS = {
    "never_asks": (GOES + SWEEP, [WITHOUT]),
    "asks_a_number": (
        GOES + '  - ask: {name: turns, kind: number, text: "Turns?", save: turns}\n' + SWEEP,
        ["Turns?", WITHOUT],
    ),
    "asks_first": (GOES + ASKS + SWEEP + ASKS, [f"{WITHOUT} Seated?", "Seated?"]),
    "toggles": (
        GOES + ASKS + OWN + IN + SWEEP + NO_GLASS + OUT + SWEEP,
        [f"{WITHOUT} Seated?", "Seated?", "Seated?"],
    ),
    "glass_comes_out": (
        GOES
        + OWN
        + IN
        + SWEEP
        + NO_GLASS
        + OUT.replace("confirm", "yes_no")
        + f"  - repeat: 2\n    steps:\n    {SWEEP}",
        ["Seated?", "Seated?", f"Round 1 of 2: {WITHOUT}"],
    ),
}
"""Procedures by name, for a lens that stands without the glass it was made for; and what each asks, in its order."""


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def stack(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Stack]:
    """A bench with these procedures beside its file."""
    folder: Path = tmp_path_factory.mktemp("foreseen")
    shutil.copytree(CONFIGS / "workshop", folder / "workshop")
    procedures = folder / "workshop" / "procedures"
    procedures.mkdir()
    roles = "needs: {roles: [carriage, detector, indicator, target_light]}"
    steps = {name: f"steps: [{verb}: {_flow(args)}]" for name, (verb, args) in IN_VAIN.items()}
    for name, text in (steps | OTHERS | {name: text for name, (text, _) in OF_GLASS.items()}).items():
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
    """A dry run found nothing wrong with degrees on a carriage, a continuous sweep, absent devices."""
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
    assert again["text"].startswith("Round 1 of 2: indicator reads 999.9 µm, which is out of its range. Seat it again")
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
    async with asyncio.timeout(120.0):
        async for _, event in events:
            if event["code"] == "not_found":
                assert "indicator reads 999.9 µm" in event["text"]
                assert event["text"].endswith("It was seated again 3 times.")
                break


async def questions(stack: Stack, client: BenchClient, run: str, no: str | None = None) -> list[str]:
    """Answer yes (to a number, 1), but `no` to the question of that name; gives them all, in their order.

    The plate is put in and taken out by the hand where that is asked for.
    """
    texts, answered = list[str](), set[str]()
    async for state in client.follow(run):
        ask = state["ask"]
        if ask is not None and ask["ask"] not in answered:
            answered.add(ask["ask"])
            texts.append(ask["text"])
            if ask["name"] in ("glass_in", "glass_out"):
                stack.hand("fit" if ask["name"] == "glass_in" else "remove", "glass", "pane-25")
            await client.answer(ask["ask"], 1.0 if ask["kind"] == "number" else ask["name"] != no)
    return texts


@pytest_asyncio.fixture(loop_scope="module")
async def without_glass(stack: Stack, client: BenchClient) -> BenchClient:
    """The lens stands there as stated, without the glass it was made for."""
    Technician(stack, client, quiet).fit(["ring-07"], [], "L-0417")
    await client.command("setup", set=SETUP | {"glass": []})
    return client


@pytest.mark.parametrize("name", OF_GLASS)
async def test_glass_that_is_not_the_lens_s_own_is_asked_about_once_and_foreseen(
    stack: Stack, without_glass: BenchClient, name: str
) -> None:
    """A dry run showed the questions without it; where a run had no question it was measured through unasked."""
    _, asks = OF_GLASS[name]
    plan = await without_glass.command("run", beat=False, procedure=name, dry=True)
    assert plan["asks"] == asks
    assert await questions(stack, without_glass, await without_glass.run(name)) == asks


@pytest.mark.parametrize("way", ["run", "sweep"])
async def test_glass_that_is_not_meant_is_not_measured_through(
    stack: Stack, without_glass: BenchClient, way: str
) -> None:
    heard, events = without_glass.watch("reading"), without_glass.events()
    run = await without_glass.run("never_asks") if way == "run" else (await without_glass.command("sweep"))["run"]
    assert await questions(stack, without_glass, run, no="glass_meant") == [WITHOUT]
    async with asyncio.timeout(120.0):
        async for _, event in events:
            if event["code"] == "bad_request":
                assert "the glass behind lens L-0417 is not meant to stand so" in event["text"]
                assert "lenses/L-0417.yaml" in event["advice"]
                break
    after = await without_glass.run("never_asks")
    assert await questions(stack, without_glass, after) == [WITHOUT], "a no is remembered no longer than its run"
    async with asyncio.timeout(120.0):
        async for _, reading in heard:
            assert reading["run"] == after
            break


async def test_a_frequency_that_no_picture_shows_is_refused_in_words(stack: Stack, without_glass: BenchClient) -> None:
    """It was 'failed inside benchd: ValueError', with the cause in the log."""
    await without_glass.do("nominal")
    await without_glass.command("light", level=0.4)
    events = without_glass.events()
    run = (await without_glass.command("sweep", lp_mm=2000.0))["run"]
    await questions(stack, without_glass, run)
    async with asyncio.timeout(120.0):
        async for _, event in events:
            if event["severity"] == "error":
                assert event["code"] == "bad_request"
                assert "2000 lp/mm are" in event["text"]
                assert event["advice"] == "Give a lower lp_mm."
                break
