"""The next lens: one question, one pass where that is enough, and the same lens again with other shims."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from math import sqrt
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.errors import Refused
from finding_bench import LENS, PANE, RING, TWIN, FindingBench, ready
from tests.virtual.benches import PACE, VirtualBench, person

pytestmark = pytest.mark.asyncio(loop_scope="module")

OF_ONE_PASS = 16
"""Stations: +-1.5 half-widths in steps of a fifth of one."""


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at_wall(record: Path, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[FindingBench]:
    """A bench of its own: its records are written into."""
    async with (
        VirtualBench(tmp_path_factory.mktemp("next"), record=record, pace=PACE) as bench,
        person(bench) as (client, technician),
    ):
        yield await ready(bench, client, technician)


async def next_lens(at_wall: FindingBench, lens: str, **more: Any) -> dict[str, Any]:
    at_wall.technician.fit(list(RING), list(PANE), lens)
    m = at_wall.technician.measure("tape")["m"]
    await at_wall.client.command("take", beat=False)
    state = await at_wall.technician.run("next_lens", lens=lens, m=m, **more)
    return await at_wall.technician.finding("flange", str(state["run"]))


async def stated(at_wall: FindingBench) -> None:
    """What a bench stands ready with: adapters, glass, a wall."""
    at_wall.technician.fit(list(RING), list(PANE), LENS)
    tape = at_wall.technician.measure("tape")
    stands = {"adapters": list(RING), "glass": list(PANE), "ring": "infinity", "lens": LENS}
    await at_wall.client.command("take", beat=False)
    await at_wall.client.command("setup", set={**stands, "distance_mm": tape["distance_mm"], "m": tape["m"]})


async def test_one_question_and_one_pass_find_the_truth(at_wall: FindingBench) -> None:
    await stated(at_wall)
    asks = at_wall.client.watch("procedure")
    finding = await next_lens(at_wall, LENS)
    asked = {}
    async for _, state in asks:
        if state["ask"] is not None:
            asked[state["ask"]["ask"]] = state["ask"]["text"]
        if state["run"] == finding["run"] and state["state"] == "done":
            break
    assert list(asked.values()) == [f"Lens seated, ring at infinity, iris open? ({LENS})"]
    error, truth = finding["values"]["focus_error"], at_wall.truth()["focus_error_um"]
    assert abs(error["value"] - truth) <= error["U"]
    assert finding["more_readings"]["worth"] is False
    first, last = finding["readings"]["indices"]
    assert last - first + 1 == OF_ONE_PASS
    (sweep,) = [line for line in finding["budgets"]["focus_error"] if line["term"] == "sweep"]
    assert sweep["u"] <= 0.2 * error["u"]


async def test_nothing_moves_between_the_change_of_lens_and_the_answer(at_wall: FindingBench) -> None:
    await stated(at_wall)
    client = at_wall.client
    await client.do("nominal")
    before = (await client.kept("device/carriage"))["carriage_um"]
    run = await client.run("next_lens", {})
    async for state in client.follow(run):
        if state["ask"] is not None:
            break
    await asyncio.sleep(30.0)
    carriage = await client.kept("device/carriage")
    assert (carriage["state"], carriage["carriage_um"]) == ("idle", pytest.approx(before, abs=1.0))
    await client.answer(state["ask"]["ask"], True)
    *_, last = [state async for state in client.follow(run)]
    assert last["state"] == "done"


async def test_what_is_left_out_stays_and_what_was_of_one_lens_does_not(at_wall: FindingBench) -> None:
    """m was measured with one lens: with another it is not known any more."""
    await stated(at_wall)
    before = await at_wall.client.kept("setup")
    await at_wall.technician.run("next_lens")
    same = await at_wall.client.kept("setup")
    kept = ("lens", "adapters", "glass", "distance_mm", "m", "ring")
    assert [same[key] for key in kept] == [before[key] for key in kept]
    at_wall.technician.seat(TWIN)
    run = await at_wall.client.run("next_lens", {"lens": TWIN})
    async for state in at_wall.client.follow(run):
        if state["ask"] is not None and state["ask"]["name"] == "seated":
            break
    other = await at_wall.client.kept("setup")
    assert (other["lens"], other["adapters"], other["glass"], other["m"]) == (TWIN, list(RING), list(PANE), None)
    assert other["distance_mm"] == pytest.approx(before["distance_mm"], abs=0.5)
    await at_wall.client.command("abort", run=run)
    *_, last = [state async for state in at_wall.client.follow(run)]
    assert last["state"] == "aborted"


@pytest.mark.parametrize(
    ("lens", "why"),
    [
        ("L-0417-X", "there is no lens 'L-0417-X'"),
        ("Tarnbeck 50", "2 lenses are of that model, L-0417, L-0418: say which"),
        ("L-9999", "there is no lens 'L-9999'"),
    ],
)
async def test_a_lens_that_is_not_clear_is_refused(at_wall: FindingBench, lens: str, why: str) -> None:
    with pytest.raises(Refused, match=why):
        await at_wall.client.run("next_lens", {"lens": lens})


async def test_a_shim_of_50_is_measured_mended_and_proved_in_two_taps(at_wall: FindingBench) -> None:
    await stated(at_wall)
    await next_lens(at_wall, LENS)
    hands = at_wall.technician
    hands.put_shim(50)
    state = await hands.run("shim_proof", lens=LENS, shims_um=[50, 50])
    proof = await hands.finding("shim_proof", str(state["run"]))
    change, unexplained, expected = (proof["values"][key] for key in ("change", "unexplained", "expected"))
    assert expected["value"] == -50.0
    assert unexplained["value"] == pytest.approx(change["value"] + 50.0)
    # How true the shim is, is not in the interval: 0.3 um in this world.
    assert abs(unexplained["value"]) <= change["U"] + 2.0 * 0.3
    assert {line["term"].rpartition(" ")[0] for line in proof["budgets"]["change"]} == {
        "sweep", "joints", "stand-off", "position subdivision", "thermal",
    }  # fmt: skip
    assert change["U"] < 0.6 * proof["values"]["after"]["U"]
    assert proof["values"]["after"] == (await at_wall.client.kept("finding/flange"))["values"]["focus_error"]
    text = (at_wall.bench.bench_file.parent / "lenses" / f"{LENS}.yaml").read_text(encoding="utf-8")
    assert "shims_fitted_um: [50, 50]" in text
    assert "# how far the rear reaches behind the seat" in text, "as a person would have written it"
    assert (await at_wall.client.kept("setup"))["lens"] == LENS
    hands.take_shim(50)
    await hands.run("shim_proof", lens=LENS, shims_um=[50])


async def test_a_proof_needs_a_finding_before_it(at_wall: FindingBench) -> None:
    at_wall.technician.seat(TWIN)
    with pytest.raises(Refused, match="no earlier finding 'flange' of lens L-0418"):
        await at_wall.technician.run("shim_proof", lens=TWIN, shims_um=[50, 10])


async def test_readings_that_hold_too_much_of_the_doubt_are_taken_again(at_wall: FindingBench) -> None:
    """At f/11 the curve is five times as wide as at f/2: one pass is known to more than a fifth of everything else."""
    await stated(at_wall)
    await at_wall.client.command("setup", set={"f_number": 11.0})
    at_wall.bench.hand("set", "iris", 11.0)
    try:
        finding = await next_lens(at_wall, LENS)
    finally:
        at_wall.bench.hand("set", "iris", 2.0)
        await at_wall.client.command("setup", set={"f_number": None})
    first, last = finding["readings"]["indices"]
    passes, left = divmod(last - first + 1, OF_ONE_PASS)
    assert (left, 1 < passes <= 5) == (0, True)
    (sweep,) = [line for line in finding["budgets"]["focus_error"] if line["term"] == "sweep"]
    rest = sqrt(finding["values"]["focus_error"]["u"] ** 2 - sweep["u"] ** 2)
    worth = finding["more_readings"]["worth"]
    assert (sweep["u"] > 0.2 * rest) if worth else (sweep["u"] <= 0.2 * rest)
    assert passes == 5 or not worth


async def test_three_seatings_hold_less_of_the_joint_and_the_truth(at_wall: FindingBench) -> None:
    """Every seating is another draw of the world."""
    await stated(at_wall)
    once = await next_lens(at_wall, LENS)
    await at_wall.technician.run("next_lens", lens=LENS, reseat=2)
    finding = await at_wall.client.kept("finding/flange")
    rows = finding["tables"]["seatings"]["rows"]
    assert [row[0] for row in rows] == [1.0, 2.0, 3.0]
    assert len({round(row[3], 3) for row in rows}) == 3
    error, truth = finding["values"]["focus_error"], at_wall.truth()["focus_error_um"]
    assert error["value"] == pytest.approx(sum(row[3] for row in rows) / 3.0, abs=1e-6)
    assert abs(error["value"] - truth) <= error["U"]
    assert error["u"] < once["values"]["focus_error"]["u"]
    one, three = (
        next(line["u"] for line in doc["budgets"]["focus_error"] if line["term"] == "joints") for doc in (once, finding)
    )
    assert (three / one) ** 2 == pytest.approx((1.0 + 1.0 / 3.0) / 2.0), "the adapter's pair, and a third of the lens's"
