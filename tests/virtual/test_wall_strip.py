"""The magnification by the pitch of one strip on the wall, against tape and what the world knows."""

from __future__ import annotations

from collections.abc import AsyncIterator
from math import hypot, sqrt
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.errors import BenchdError
from finding_bench import LENS, STRIP_PITCH_MM, FindingBench, ready, with_strip
from tests.virtual.benches import PACE, VirtualBench, person
from tests.virtual.test_wall_marks import OUT_OF_FOCUS, QUOTIENT, standing

pytestmark = pytest.mark.asyncio(loop_scope="module")

IN_FOCUS = hypot(0.0005, 0.00625 / STRIP_PITCH_MM, 2e-4)
STATED = hypot(IN_FOCUS, OUT_OF_FOCUS)
"""The target's pitch, .0005 mm of 1, the strip's, what the camera's lens distorts, and 20 um from focus."""

SEEN = 1.3e-4
"""Of 17 bars that stand .02 mm off their places of 10, by s sqrt(12 / (n (n^2 - 1))) a step about, and as much again of
how squarely the camera looks."""


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at_wall(record: Path, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[FindingBench]:
    """A strip hangs on the wall, and the bench file says its pitch."""
    async with (
        VirtualBench(tmp_path_factory.mktemp("strip"), record=record, pace=PACE, change=with_strip) as bench,
        person(bench) as (client, technician),
    ):
        bench.hand("set", "wall_strip", STRIP_PITCH_MM)
        yield await ready(bench, client, technician)


async def test_m_by_a_strip_is_true_and_as_sure_as_its_parts(at_wall: FindingBench) -> None:
    await standing(at_wall)
    answer = await at_wall.client.command("magnification", beat=False)
    m, true = answer["m"], at_wall.truth()["now"]["magnification"]
    assert m["by"] == "pitch"
    assert abs(m["value"] - true) <= 2.0 * m["u"]
    assert STATED < m["u"] / m["value"] < hypot(STATED, 3.0 * SEEN)
    setup = await at_wall.client.kept("setup")
    assert (setup["m"]["value"], setup["m"]["by"], setup["stale"]) == (m["value"], "pitch", True)
    await at_wall.client.do("nominal")


async def test_over_benches_its_interval_holds_the_truth(tmp_path: Path) -> None:
    off = []
    for seed in range(1, 13):
        async with (
            VirtualBench(tmp_path / str(seed), seed=seed, pace=PACE, change=with_strip) as bench,
            person(bench) as (client, technician),
        ):
            bench.hand("set", "wall_strip", STRIP_PITCH_MM)
            at_wall = await ready(bench, client, technician)
            await standing(at_wall)
            m = (await client.command("magnification", beat=False))["m"]
            # Not calibrated: nominal is known to 100 um, and the square is seen as much larger or smaller.
            assert m["u"] / m["value"] > hypot(STATED, 0.1 / 49.6 * QUOTIENT)
            off.append((m["value"] - at_wall.truth()["now"]["magnification"]) / m["u"])
    rms = sqrt(sum(z * z for z in off) / len(off))
    assert 0.43 < rms < 1.66, off  # chi-square of 12: a true 1 lies within 1 in 1000 on either side


async def test_how_well_m_will_be_known_goes_by_how_well_nominal_is(tmp_path: Path, at_wall: FindingBench) -> None:
    """It said the same before the bench was calibrated, when the place of nominal is most of it."""

    async def told(at: FindingBench) -> str:
        await standing(at)
        plan = await at.client.command("run", beat=False, procedure="next_lens", inputs={}, dry=True)
        (text,) = [entry["text"] for entry in plan["entries"] if entry["verb"] == "magnification"]
        return str(text)

    async def u_percent(at: FindingBench) -> float:
        m = (await at.client.command("magnification", beat=False))["m"]
        return float(100.0 * m["u"] / m["value"])

    calibrated = await told(at_wall)
    assert "most by the target's pitch" in calibrated or "most by the rule" in calibrated
    assert float(calibrated.split("u about ")[1].split(" %")[0]) == pytest.approx(await u_percent(at_wall), rel=0.1)
    async with (
        VirtualBench(tmp_path, pace=PACE, change=with_strip) as bench,
        person(bench) as (client, technician),
    ):
        bench.hand("set", "wall_strip", STRIP_PITCH_MM)
        at = await ready(bench, client, technician)
        before = await told(at)
        assert "most by where the lens stands beside focus" in before
        assert float(before.split("u about ")[1].split(" %")[0]) == pytest.approx(await u_percent(at), rel=0.1)


async def test_the_next_lens_needs_no_tape(at_wall: FindingBench) -> None:
    await standing(at_wall)
    await at_wall.technician.run("next_lens", lens=LENS)
    finding = await at_wall.client.kept("finding/flange")
    error = finding["values"]["focus_error"]
    assert abs(error["value"] - at_wall.truth()["focus_error_um"]) <= error["U"]
    (line,) = [line for line in finding["budgets"]["focus_error"] if line["term"] == "conjugate"]
    parts = {part["name"]: part["u"] for part in line["parts"]}
    # x' = (T - h) m^2 / (1 + m)^2: twice the relative u of m on 508 um.
    assert 2.0 * 508.0 * IN_FOCUS < 1.02 * parts["m"] < 2.0 * 508.0 * hypot(IN_FOCUS, 3.0 * SEEN)


@pytest.mark.parametrize(
    ("strip", "why"),
    [
        (None, "0 such bars stand there"),
        ({"pitch_mm": STRIP_PITCH_MM, "bars": 5}, "5 such bars stand there"),
        (1.5, "tell it too badly"),
        ({"pitch_mm": STRIP_PITCH_MM, "left": 0.7}, "too pale"),
    ],
)
async def test_what_the_picture_cannot_tell_is_refused(at_wall: FindingBench, strip: Any, why: str) -> None:
    await standing(at_wall)
    at_wall.bench.ask_world({"do": "set", "what": "wall_strip", "value": strip})
    try:
        with pytest.raises(BenchdError, match=why) as failed:
            await at_wall.client.command("magnification", beat=False)
    finally:
        at_wall.bench.hand("set", "wall_strip", STRIP_PITCH_MM)
    assert failed.value.code == "not_found"
    assert "dark bars" in failed.value.advice
    assert (await at_wall.client.kept("setup"))["m"] is None, "nothing has changed"


async def test_both_kinds_at_once_are_refused_at_the_file(tmp_path: Path) -> None:
    def both(doc: Any) -> None:
        with_strip(doc)
        doc["arrangement"].update({"marks_apart_mm": 220.0, "u_marks_apart_mm": 0.1})

    with pytest.raises(Exception, match="state the one that hangs on the wall"):
        async with VirtualBench(tmp_path, pace=PACE, change=both):
            pass


async def test_the_same_strip_tells_the_same_again(at_wall: FindingBench) -> None:
    """The same strip, target, camera and place of the carriage: what is left is noise of pictures."""
    await standing(at_wall)
    first = (await at_wall.client.command("magnification", beat=False))["m"]
    await at_wall.client.do("nominal")
    second = (await at_wall.client.command("magnification", beat=False))["m"]
    assert first["value"] != second["value"]
    assert second["value"] == pytest.approx(first["value"], rel=1e-4)
