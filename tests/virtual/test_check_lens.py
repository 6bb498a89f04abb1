"""The check lens: a word each morning on a bench that stands, is shimmed, grows warm, and gets a new zero."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pytest_asyncio

from benchd.metrology.control_chart import BASELINE
from benchd.questions.check_lens.words import sentence
from finding_bench import LENS, PANE, RING, FindingBench, ready
from tests.virtual.benches import PACE, VirtualBench, person

pytestmark = pytest.mark.asyncio(loop_scope="module")

HIDDEN_UM = 20.0
"""A shim that nobody wrote down."""


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at_wall(record: Path, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[FindingBench]:
    """A bench of its own: what is stated, and what its record holds, goes from one morning to the next."""
    async with (
        VirtualBench(tmp_path_factory.mktemp("check"), record=record, pace=PACE) as bench,
        person(bench) as (client, technician),
    ):
        found = await ready(bench, client, technician)
        await stated(found)
        yield found


async def stated(at_wall: FindingBench) -> None:
    """What the bench stands ready with, its wall measured."""
    at_wall.technician.fit(list(RING), list(PANE), LENS)
    tape = at_wall.technician.measure("tape")
    stands = {"adapters": list(RING), "glass": list(PANE), "ring": "infinity", "lens": LENS}
    await at_wall.client.command("setup", set={**stands, "distance_mm": tape["distance_mm"], "m": tape["m"]})


async def morning(at_wall: FindingBench) -> dict[str, Any]:
    """All is put together again and checked; gives the finding."""
    technician = at_wall.technician
    technician.fit(list(RING), list(PANE), None)
    technician.seat(LENS)
    await at_wall.client.command("take", beat=False)
    run = str((await technician.run("check_lens"))["run"])
    found = await technician.finding("check_lens", run)
    assert found["values"]["focus_error"] == (await technician.finding("flange", run))["values"]["focus_error"]
    return found


def state_of(finding: dict[str, Any]) -> dict[str, Any]:
    table = finding["tables"]["state"]
    return dict(zip([column["name"] for column in table["columns"]], table["rows"][0], strict=True))


async def test_a_bench_that_stands_is_shimmed_grows_warm_and_gets_a_new_zero(at_wall: FindingBench) -> None:
    """As one story, since each morning's word rests on all before it."""
    technician, bench = at_wall.technician, at_wall.bench
    found = []
    for number in range(1, BASELINE + 1):
        found.append(await morning(at_wall))
        assert (state_of(found[-1])["bench"], state_of(found[-1])["checks"]) == ("too few", number)
        assert set(found[-1]["values"]) == {"focus_error", "shims"}
    assert sentence(found[-1]).endswith(f"this is check {BASELINE} of the {BASELINE} that the limits are taken from.")

    found.append(await morning(at_wall))
    read = np.array([one["values"]["focus_error"]["value"] for one in found])
    values = {name: value["value"] for name, value in found[-1]["values"].items()}
    centre = read[:BASELINE].mean()
    half_width = 2.66 * np.abs(np.diff(read[:BASELINE])).mean()  # e-Handbook, 6.3.2.2, to its three figures
    assert [values["centre"], values["departure"]] == pytest.approx([centre, read[-1] - centre])
    assert [values["high"], values["low"]] == pytest.approx([centre + half_width, centre - half_width], rel=1e-3)
    # The joints of adapter and lens, mated anew each time: the chart's own scatter is what the world draws them with.
    assert 0.5 < half_width / 3.0 / (0.7 * np.sqrt(2.0)) < 1.6
    assert state_of(found[-1])["bench"] == "trusted"
    assert sentence(found[-1]).startswith(f"The bench is trusted: check lens {LENS} stands ")

    technician.put_shim(HIDDEN_UM)
    shimmed = await morning(at_wall)
    assert (state_of(shimmed)["bench"], state_of(shimmed)["side"]) == ("not", "shallower")
    moved = shimmed["values"]["departure"]["value"] - values["departure"]
    assert moved == pytest.approx(-HIDDEN_UM, abs=2.0 * half_width)
    assert sentence(shimmed).startswith("The bench is not to be trusted: ")
    assert "Find the cause (seats, temperature, adapters) before lenses are judged." in sentence(shimmed)
    technician.take_shim(HIDDEN_UM)
    assert state_of(await morning(at_wall))["bench"] == "trusted"

    # A bench that is warmer than it is told is longer than it reckons: the lens seems to have come nearer.
    cold = technician.measure("thermometer")["temperature_C"]
    words = []
    for step in range(1, 9):
        bench.hand("set", "temperature", cold + 0.5 * step)
        warm = await morning(at_wall)
        words.append((state_of(warm)["bench"], state_of(warm)["side"]))
    assert {side for state, side in words if state != "trusted"} == {"shallower"}
    assert ("drifting", "shallower") in words
    await at_wall.client.command("setup", set={"temperature_C": technician.measure("thermometer")["temperature_C"]})
    told = await morning(at_wall)
    assert abs(told["values"]["departure"]["value"]) < half_width

    await technician.run("bench_zero", reference=technician.reference)
    await stated(at_wall)
    anew = await morning(at_wall)
    assert (state_of(anew)["bench"], state_of(anew)["checks"]) == ("too few", 1)
    assert any("the baseline begins anew, as a new zero shifts every value" in note for note in anew["notes"])


async def test_another_set_up_is_another_chart(at_wall: FindingBench) -> None:
    await stated(at_wall)
    await morning(at_wall)
    at_wall.technician.fit(list(RING), [], None)
    at_wall.technician.seat(LENS)
    run = await at_wall.client.run("check_lens", {"glass": []})
    answered: set[str] = set()
    async for state in at_wall.client.follow(run):
        if (ask := state["ask"]) is not None and ask["ask"] not in answered:
            answered.add(ask["ask"])
            await at_wall.client.answer(ask["ask"], True)
    bare = await at_wall.technician.finding("check_lens", run)
    assert (state_of(bare)["bench"], state_of(bare)["checks"]) == ("too few", 1)
    assert any("not on this chart, measured otherwise (glass)" in note for note in bare["notes"])
    await at_wall.client.command("setup", set={"glass": list(PANE)})
