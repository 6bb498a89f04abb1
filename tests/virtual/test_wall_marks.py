"""The magnification by two marks on the wall against that by tape, and against what the world knows."""

from __future__ import annotations

from collections.abc import AsyncIterator
from math import hypot, sqrt
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from alike_pairs import marks
from benchd.errors import BenchdError, Refused
from finding_bench import LENS, MARKS_APART_MM, PANE, RING, TWIN, FindingBench, ready, with_marks
from tests.virtual.benches import PACE, VirtualBench, person

pytestmark = pytest.mark.asyncio(loop_scope="module")

QUOTIENT = 1.3 / sqrt(3.0)  # focal length over the pupil's distance, 0 to 1.3, rectangular
OUT_OF_FOCUS = 0.02 / 49.6 * QUOTIENT
IN_FOCUS = hypot(0.0005, 0.1 / MARKS_APART_MM, 2e-4)
U_REL = hypot(IN_FOCUS, OUT_OF_FOCUS)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at_wall(record: Path, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[FindingBench]:
    """Two marks are stuck on the wall, and the bench file says how far apart."""
    async with (
        VirtualBench(tmp_path_factory.mktemp("marks"), record=record, pace=PACE, change=with_marks) as bench,
        person(bench) as (client, technician),
    ):
        bench.hand("set", "wall_marks", MARKS_APART_MM)
        yield await ready(bench, client, technician)


async def standing(at_wall: FindingBench, **more: Any) -> dict[str, Any]:
    """A lens near focus; gives what a tape says."""
    at_wall.technician.fit(list(RING), list(PANE), LENS)
    tape = at_wall.technician.measure("tape")
    stands = {"lens": LENS, "adapters": list(RING), "glass": list(PANE), "ring": "infinity", "m": None, **more}
    await at_wall.client.command("take", beat=False)
    await at_wall.client.command("setup", set={"distance_mm": tape["distance_mm"], **stands})
    await at_wall.client.command("light", beat=False, level=0.4)
    await at_wall.client.do("nominal")
    return tape


async def test_m_by_marks_is_surer_than_by_tape_and_as_true(at_wall: FindingBench) -> None:
    tape = await standing(at_wall)
    answer = await at_wall.client.command("magnification", beat=False)
    m, by_tape, true = answer["m"], tape["m"], at_wall.truth()["now"]["magnification"]
    assert abs(m["value"] - true) <= 2.0 * m["u"]
    assert m["u"] < by_tape["u"]
    # The pitch of the target, 0.0005 mm of 1, the rule, 0.1 mm of 220, what the camera's lens distorts, 20 um from
    # focus against a pupil at 49.6 mm or farther, and next to nothing of the picture.
    assert m["u"] / m["value"] == pytest.approx(U_REL, rel=0.02)
    setup = await at_wall.client.kept("setup")
    assert (setup["m"]["value"], setup["stale"], setup["rev"]) == (m["value"], True, answer["rev"])
    off = (await marks(at_wall)).off
    assert abs(off.value) <= 1.5 * off.U, "beyond: once in 300"
    await at_wall.client.do("nominal")


async def test_how_well_m_will_be_known_is_told_before_anything_is_measured(at_wall: FindingBench) -> None:
    """By the files alone: a rule of .1 mm over 220 is most of it, and twice the way between marks would halve that."""
    await standing(at_wall)
    plan = await at_wall.client.command("run", beat=False, procedure="next_lens", inputs={}, dry=True)
    (text,) = [entry["text"] for entry in plan["entries"] if entry["verb"] == "magnification"]
    assert text.startswith(f"m by the marks on the wall, u about {100.0 * U_REL:.2g} % of it, most by ")
    assert text.split("most by ")[1].startswith("the target's pitch")


async def test_before_the_bench_is_calibrated_m_is_as_unsure_as_nominal_is(tmp_path: Path) -> None:
    """By the bench file alone focus is anywhere within 100 um of nominal (u), and the square is seen as much larger."""
    off = []
    for seed in range(1, 9):
        async with (
            VirtualBench(tmp_path / str(seed), seed=seed, pace=PACE, change=with_marks) as bench,
            person(bench) as (client, technician),
        ):
            bench.hand("set", "wall_marks", MARKS_APART_MM)
            at_wall = await ready(bench, client, technician)
            await standing(at_wall)
            m = (await client.command("magnification", beat=False))["m"]
            assert m["u"] / m["value"] == pytest.approx(hypot(U_REL, 0.1 / 49.6 * QUOTIENT), rel=0.02)
            off.append((m["value"] - at_wall.truth()["now"]["magnification"]) / m["u"])
    rms = sqrt(sum(z * z for z in off) / len(off))
    assert 0.3 < rms < 1.7, off  # chi-square of 8: a true 1 lies within 1 in 1000 on either side


async def test_without_a_word_of_the_wall_nominal_is_not_where_its_image_is(at_wall: FindingBench) -> None:
    """m was a hundredth off then: half a millimetre out of focus, against a pupil at fifty."""
    await standing(at_wall)
    await at_wall.client.command("setup", set={"distance_mm": None, "m": None})
    await at_wall.client.do("nominal")
    with pytest.raises(Refused, match="Neither distance nor m of the wall is stated") as refused:
        await at_wall.client.command("magnification", beat=False)
    assert "distance_mm by tape" in refused.value.advice
    plan = await at_wall.client.command("run", beat=False, procedure="next_lens", inputs={}, dry=True)
    assert any("Neither distance nor m" in problem for problem in plan["problems"])


async def test_the_next_lens_needs_no_tape(at_wall: FindingBench) -> None:
    await standing(at_wall)
    await at_wall.technician.run("next_lens", lens=LENS)
    finding = await at_wall.client.kept("finding/flange")
    error = finding["values"]["focus_error"]
    assert abs(error["value"] - at_wall.truth()["focus_error_um"]) <= error["U"]
    (line,) = [line for line in finding["budgets"]["focus_error"] if line["term"] == "conjugate"]
    parts = {part["name"]: part["u"] for part in line["parts"]}
    # x' = (T - h) m^2 / (1 + m)^2: twice the relative u of m on 508 um.
    assert parts["m"] == pytest.approx(2.0 * 508.0 * IN_FOCUS, rel=0.05)
    assert parts["m out of focus"] < 0.5 * 2.0 * 508.0 * OUT_OF_FOCUS, "it turned out to stand nearer than 20 um"


async def test_a_shim_is_proved_although_another_lens_stood_there_meanwhile(at_wall: FindingBench) -> None:
    """m is told anew by the same marks: their rule and the target's pitch are in both, and drop out."""
    technician = at_wall.technician
    await standing(at_wall)
    for lens in (LENS, TWIN):
        technician.seat(lens)
        await technician.run("next_lens", lens=lens)
    technician.seat(LENS)
    technician.put_shim(50)
    try:
        state = await technician.run("shim_proof", lens=LENS, shims_um=[50, 50])
        proof = await technician.finding("shim_proof", str(state["run"]))
    finally:
        technician.take_shim(50)
        await at_wall.client.command("record", beat=False, kind="lens", id=LENS, set={"shims_fitted_um": [50]})
    assert not any("Set up otherwise" in note for note in proof["notes"]), proof["notes"]
    change = {line["term"]: line["u"] for line in proof["budgets"]["change"]}
    # What the camera's lens distorts, and how far beside focus m was told, of the pupil's way, twice over on 508 um.
    for when in ("before", "after"):
        beside_mm = abs(proof["values"][when]["value"]) / 1000.0
        told = 2.0 * 508.0 * hypot(2e-4, beside_mm / 49.6 * QUOTIENT)
        assert told * 0.98 < change[f"conjugate {when}"] < hypot(told, 2.0 * 508.0 * 0.006 / 49.6 * QUOTIENT)
    assert abs(proof["values"]["unexplained"]["value"]) <= proof["values"]["change"]["U"] + 2.0 * 0.3
    assert proof["values"]["change"]["U"] < proof["values"]["after"]["U"]


@pytest.mark.parametrize(
    ("hand", "why"),
    [
        (("wall_marks", None), "none stands there"),
        (("wall_marks", 130.0), "too near the square"),
        (("wall_marks", 400.0), "none stands there"),
    ],
)
async def test_what_the_picture_cannot_tell_is_refused(at_wall: FindingBench, hand: tuple[str, Any], why: str) -> None:
    await standing(at_wall)
    at_wall.bench.ask_world({"do": "set", "what": hand[0], "value": hand[1]})
    try:
        with pytest.raises(BenchdError, match=why) as failed:
            await at_wall.client.command("magnification", beat=False)
    finally:
        at_wall.bench.hand("set", "wall_marks", MARKS_APART_MM)
    assert failed.value.code == "not_found"
    assert (await at_wall.client.kept("setup"))["m"] is None, "nothing has changed"


async def test_away_from_nominal_m_is_not_told(at_wall: FindingBench) -> None:
    """The square out of focus is of another size, by its way over that of the pupil."""
    await standing(at_wall)
    await at_wall.client.do("move", axis="carriage", by_um=50.0)
    with pytest.raises(Refused, match=r"stands [+](49|50|51) .m from nominal"):
        await at_wall.client.command("magnification", beat=False)
    await at_wall.client.command("setup", set={"glass": []})
    with pytest.raises(Refused, match="has not been driven") as refused:
        await at_wall.client.command("magnification", beat=False)
    assert refused.value.code == "not_driven"


async def test_a_bench_without_marks_says_how_to_have_them(record: Path, tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, record=record, pace=PACE) as bench, person(bench) as (client, technician):
        await ready(bench, client, technician)
        with pytest.raises(Refused, match="states no marks on the wall") as refused:
            await client.command("magnification", beat=False)
        assert "marks_apart_mm" in refused.value.advice
        answer = await client.command("magnification", beat=False, only_if_marked=True)
        assert answer["m"] is None


@pytest.mark.parametrize("shim_um", [0, 300])
async def test_once_best_focus_is_found_it_is_known_how_far_out_of_focus_m_was_told(
    at_wall: FindingBench, shim_um: int
) -> None:
    """m was told where nominal is. What the picture shows of it there hangs on where the pupil stands."""
    technician = at_wall.technician
    await standing(at_wall)
    shims = shim_um // 100
    for _ in range(shims):
        technician.put_shim(100)
    try:
        await technician.run("next_lens", lens=LENS)
        found = await at_wall.client.kept("finding/flange")
        truth = at_wall.truth()["focus_error_um"]
    finally:
        for _ in range(shims):
            technician.take_shim(100)
    error = found["values"]["focus_error"]
    assert abs(error["value"] - truth) <= 1.5 * error["U"], "beyond: once in 300"
    (conjugate,) = [line for line in found["budgets"]["focus_error"] if line["term"] == "conjugate"]
    (part,) = [part for part in conjugate["parts"] if part["name"] == "m out of focus"]
    m = (await at_wall.client.kept("setup"))["m"]
    # 20 um are what it is taken for before anything is known of this lens; nominal's own u, of a few um, stays.
    thought_um = m["u_out_of_focus"] / m["value"] / QUOTIENT * 49600.0
    beside_um = sqrt(thought_um**2 - 20.0**2 + error["value"] ** 2)
    assert thought_um == pytest.approx(20.5, abs=1.0)
    # x' = (T - h) m^2 / (1 + m)^2: twice the relative change of m on 508 um, as above.
    assert part["u"] == pytest.approx(2.0 * 508.0 * beside_um / 49600.0 * QUOTIENT, rel=0.05)


async def test_an_m_of_before_a_shim_is_told_anew_for_its_proof(at_wall: FindingBench) -> None:
    """100 um beside focus it hung on where the pupil stands; that the lens is in focus now makes that m no surer."""
    technician = at_wall.technician
    await standing(at_wall)
    technician.put_shim(100)
    await at_wall.client.command("record", kind="lens", id=LENS, set={"shims_fitted_um": [50, 100]})
    await technician.run("next_lens", lens=LENS)
    before = (await at_wall.client.kept("setup"))["m"]
    assert before["by"] == "marks"
    technician.take_shim(100)
    state = await technician.run("shim_proof", lens=LENS, shims_um=[50])
    after = (await at_wall.client.kept("setup"))["m"]
    assert before["told_in"] != after["told_in"]
    assert after["told_in"] == state["run"]
    proof = await technician.finding("shim_proof", str(state["run"]))
    stated, truth = proof["values"]["after"], at_wall.truth()["focus_error_um"]
    assert abs(stated["value"] - truth) <= 1.5 * stated["U"], "beyond: once in 300"
    assert abs(proof["values"]["unexplained"]["value"]) <= 1.5 * proof["values"]["change"]["U"] + 2.0 * 0.3


async def test_an_m_of_another_run_is_no_surer_for_where_best_focus_is_now(at_wall: FindingBench) -> None:
    await standing(at_wall)
    await at_wall.client.command("magnification", beat=False)
    found = await at_wall.sweep()
    (conjugate,) = [line for line in found["budgets"]["focus_error"] if line["term"] == "conjugate"]
    (part,) = [part for part in conjugate["parts"] if part["name"] == "m out of focus"]
    assert part["u"] >= 0.98 * 2.0 * 508.0 * OUT_OF_FOCUS
