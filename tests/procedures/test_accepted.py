"""What `accept` says of a finding: how far it lies from what is stated of the same thing, and what comes of that."""

from __future__ import annotations

import argparse
import asyncio
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.bench.run_record import RunRecord
from benchd.cli.do import _print_result
from benchd.errors import Refused
from benchd.files.loading import load_bench
from benchd.optics.plate import paraxial_shift_um, paraxial_u_um
from benchd.procedures.prompts import with_findings
from benchd.questions.glass_toggle.assessment import ToggleInput, Visit, assess
from tests.bench.datum.wall_chain import CONFIGS
from tests.fakes.bench import FakeBench, fake_bench, library, yes
from tests.one_calibration import add_calibration

RECORD_UM, RECORD_U_UM = paraxial_shift_um(2.498, 1.5230), paraxial_u_um(2.498, 0.002, 1.5230, 0.0005)
BEYOND_UM = 18.7


@pytest_asyncio.fixture
async def made(tmp_path: Path) -> AsyncIterator[FakeBench]:
    """By files of its own, as records are written."""
    shutil.copytree(CONFIGS, tmp_path / "configs")
    own = load_bench(tmp_path / "configs" / "workshop" / "bench.yaml")
    async with fake_bench(tmp_path, own, library(tmp_path, {})) as made:
        await made.ready()
        yield made


async def plate_found(made: FakeBench, off_um: float) -> dict[str, Any]:
    """A plate put in and out that shifts by so much more than its record says."""
    at = 51000.0, 51000.0 + RECORD_UM + off_um + BEYOND_UM
    visits = [Visit(at[one], 0.1, 30.0) for one in (0, 1, 1, 0)]
    run = await made.bench.store.add_run(
        "glass_toggle", text_sha="", inputs={}, setup=None, lens=None, job=None, user="rail"
    )
    found = assess(
        visits,
        ToggleInput(
            run=run, setup=made.bench.setup.document.rev, lens="L-0417", glass=("pane-25",),
            measurand={"arrangement": "wall", "glass": ["pane-25"]}, paraxial_um=(RECORD_UM, RECORD_U_UM),
            beyond_um=(BEYOND_UM, 0.1, 0.1), artefact="glass.pane-25", lp_mm=40.0, light_nm=546.0, u_scale=1e-5,
            at_a_place=(), indices=(0, 155), at="2031-04-05T09:20:02Z", version="0", f_number=5.6,
        ),
    )  # fmt: skip
    return {**found.as_json(), "finding": await made.bench.store.add_finding(found)}


@pytest.mark.parametrize("off_um", [4.2, -4.2])
async def test_a_plate_that_contradicts_its_record_is_told_before_it_is_accepted_and_as_it_is(
    made: FakeBench, capsys: pytest.CaptureFixture[str], off_um: float
) -> None:
    """It came into force without a word, and from then on no lens behind it had a verdict."""
    doc = await plate_found(made, off_um)
    run = RunRecord("r-1", "glass_toggle", "rail", [], {})
    run.findings["glass_toggle"] = doc
    run.unreported.append("glass_toggle")
    asked = with_findings("Put it in force?", run, made.bench)
    answer = await made.command("accept", {"finding": doc["finding"]})
    assert any("glass pane-25 shifts by" in why for why in made.bench.setup.chain.why_relative)
    await made.until(lambda: bool(made.events("calibrated")))
    (told,) = made.events("calibrated")
    u = (doc["values"]["found"]["u"] ** 2 + RECORD_U_UM**2) ** 0.5
    far = f"pane-25 was found 4.2 µm ({4.2 / u:.1f} u) from its record ({RECORD_UM:.1f} µm)."
    relative = (
        "Findings with it are relative as long as both stand: glass pane-25 shifts by 4.2 µm "
        f"{'more' if off_um > 0 else 'less'} than its record says."
    )
    change = f"{'+' if off_um > 0 else '−'}4.20 µm from the {RECORD_UM:.2f} µm stated in its record."
    assert asked.endswith(f"{change} {far} {relative} Put it in force?")
    assert f"{far} {relative}" in told["text"]
    assert told["severity"] == "warning"
    assert "its record" in told["advice"]
    assert answer["beside_stated"] == [far, relative, told["advice"]]
    _print_result(argparse.Namespace(verb="accept", json=False), answer)
    assert f"accept: done; calibration {answer['calibration']}.\n{far}\n{relative}\n" in capsys.readouterr().out


async def test_one_near_its_record_says_how_near_and_no_more(made: FakeBench) -> None:
    doc = await plate_found(made, 1.0)
    answer = await made.command("accept", {"finding": doc["finding"]})
    (text,) = answer["beside_stated"]
    assert text.startswith("pane-25 was found 1.0 µm (")
    await made.until(lambda: bool(made.events("calibrated")))
    assert [(event["severity"], event["advice"]) for event in made.events("calibrated")] == [("info", "")]


async def test_no_run_begins_before_the_chain_has_it(made: FakeBench) -> None:
    doc = await plate_found(made, 1.0)
    rev = made.bench.setup.document.rev
    command = asyncio.create_task(made.command("accept", {"finding": doc["finding"]}))
    await asyncio.sleep(0)
    while not command.done():
        with pytest.raises(Refused, match="busy with a calibration that comes into force"):
            made.bench.jobs.check_free()
        await asyncio.sleep(0)
    await command
    assert made.bench.setup.document.rev == rev + 1
    made.bench.jobs.check_free()


async def test_what_contradicts_a_zero_on_the_seat_is_told_of_whichever_comes_last(made: FakeBench) -> None:
    """Base and ring 42033 um together, the zero on the ring's seat 30 um beside it."""
    store = made.bench.store
    for artefact, value in (("bench-zero", 24030.0), ("bench-zero.ring-07", 42063.0)):
        await add_calibration(
            store, artefact, value, 0.8, at_C=20.0, dof=8.0, finding=None, valid_until=None, by="rail"
        )
    await made.bench.setup.rebuild_chain()
    made.person.says = yes
    run = await made.run("adapter_length", adapter="ring-07")
    assert await made.ended(run) == "done"
    (told,) = made.events("calibrated")
    assert (
        "Findings with it are relative as long as both stand: the zero on the seat and that of base and" in told["text"]
    )
    asked = [ask.text for ask in made.person.asked if "Put this length of the adapter in force?" in ask.text]
    assert "relative as long as both stand" in asked[0]


async def test_a_length_far_from_its_record_counts_as_it_was_found_and_that_is_said(made: FakeBench) -> None:
    """The fake ring is as long as its record says, but this record was mistyped by 12 um with a u of 1.5."""
    made.person.says = yes
    await made.command(
        "record", {"kind": "adapter", "id": "ring-07", "set": {"given": {"length_um": 18015.0, "u_um": 1.5}}}
    )
    assert await made.ended(await made.run("adapter_length", adapter="ring-07")) == "done"
    (told,) = made.events("calibrated")
    found = (await made.bench.store.finding("f-1"))["values"]["length"]
    u = (found["u"] ** 2 + 1.5**2) ** 0.5
    assert f"ring-07 was found 12.0 µm ({12.0 / u:.1f} u) from its record. That is more than 3 u" in told["text"]
    assert "Findings go by what was found." in told["text"]
    assert told["severity"] == "warning"
