"""A plate out, in, in, out, through the whole bench: the shift of best focus against the world's traced plate."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from alike_pairs import toggled
from benchd.records.reader import Reader
from differences import Difference, expanded
from technician import RunEnded
from tests.differences import agrees
from tests.virtual.benches import PACE, VirtualBench, person

pytestmark = pytest.mark.asyncio(loop_scope="module")

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"

IN_FIRST = """
procedure: in_first
title: A plate in, out, out and in
needs: {roles: [carriage, target_light, detector]}
inputs:
  lens: {type: lens}
  adapters: {type: list, of: adapter}
  glass: {type: list, of: glass, min: 1}
  distance_mm: {type: length, unit: mm, min: 1000}
steps:
  - setup: {lens: "${lens}", adapters: "${adapters}", glass: "${glass}", distance_mm: "${distance_mm}", ring: infinity}
  - ask: {name: seated, kind: confirm, text: "As listed?"}
  - home: {axes: [carriage], only_if_unhomed: true}
  - nominal: {}
  - light: {light: target_light, level: 0.4}
  - sweep: {merit: auto, repeats: 1}
  - ask: {name: glass_out, kind: confirm, about: "${glass}", text: "Out?"}
  - setup: {glass: [], follow: true}
  - sweep: {merit: auto, repeats: 1}
  - sweep: {merit: auto, repeats: 1}
  - setup: {glass: "${glass}", follow: true}
  - ask: {name: glass_in, kind: confirm, about: "${glass}", text: "In?"}
  - sweep: {merit: auto, repeats: 1}
  - assess: {name: glass_toggle}
finally:
  - light: {light: target_light, level: 0}
"""


async def test_shift_is_the_traced_plates_and_its_residual_is_told(bench: VirtualBench) -> None:
    found = {}

    async def shift_less_truth() -> Difference:
        async with person(bench) as (_, technician):
            finding, shift_um = await toggled(bench, technician, LENS, RING, PANE)
        found.update(finding)
        places = {f"position subdivision, glass {state}" for state in ("out", "in")}
        assert places <= {line["term"] for line in finding["budgets"]["residual"]}
        own = [(line["u"], line["dof"]) for line in finding["budgets"]["residual"] if line["term"] != "plate record"]
        u, U = expanded(own)
        stated = finding["values"]["shift"]
        assert stated["u"] == pytest.approx(u)
        assert u < 1.0, "an interleaved difference knows nothing of base, adapter, joints or wall"
        return Difference(stated["value"] - shift_um, u, U)

    await agrees(shift_less_truth, 0.0)
    values = found["values"]

    # t (1 - 1/n) of the record: 2.498 mm, n = 1.5230
    assert values["paraxial"]["value"] == pytest.approx(2498.0 * (1.0 - 1.0 / 1.5230))
    assert values["residual"]["value"] == pytest.approx(values["shift"]["value"] - values["paraxial"]["value"])
    assert values["residual"]["u"] > values["shift"]["u"], "the plate's own record comes in"
    assert 0.0 < values["expected_residual"]["value"] < values["paraxial"]["value"]
    assert values["residual"]["value"] > 0.0, "a cone is shifted further than a ray near the axis"
    # The whole of the margin's shift would be twice the expected; the rest of the plate's record is 3 u of 0.9 um.
    assert values["residual"]["value"] < 2.0 * values["expected_residual"]["value"] + 3.0 * values["residual"]["u"]
    assert found["lens"] == LENS
    assert found["measurand"]["glass"] == [PANE]
    assert found["verdict"] is None
    assert found["advice"] is None
    assert any("paraxial" in note for note in found["notes"])


async def test_a_procedure_of_ones_own_that_begins_with_the_plate_is_refused_a_finding(tmp_path: Path) -> None:
    files = {"procedures/in_first.yaml": IN_FIRST}
    async with VirtualBench(tmp_path, files=files, pace=PACE, curves=True) as bench, person(bench) as (_, technician):
        tape = technician.measure("tape")
        with pytest.raises(RunEnded) as ended:
            await technician.run("in_first", lens=LENS, adapters=[RING], glass=[PANE], distance_mm=tape["distance_mm"])
    assert f"the set-up had {PANE}, no glass, no glass, {PANE}" in str(ended.value)
    assert "`glass_toggle`" in str(ended.value)


async def test_glass_that_is_not_the_lens_s_own_is_asked_about_before_it_is_measured_through(
    bench: VirtualBench,
) -> None:
    """A pane left in by mistake ended in FAIL with shims: nobody had been asked, and the residual was not explained."""
    asked: dict[str, str] = {}
    async with person(bench) as (client, _):
        for lens, glass, said in (
            ("L-0418", [PANE], f"with glass {PANE}, while its record names none that it was designed for"),
            (LENS, [], f"without glass, while its record says that it was designed for {PANE}"),
            (LENS, [PANE], None),
        ):
            run = await client.run("flange_check", {"lens": lens, "adapters": [RING], "glass": glass})
            async for state in client.follow(run):
                if state["state"] == "asking":
                    asked = state["ask"]
                    await client.command("abort", run=run)
            text = "Adapters and glass as listed, lens seated, ring at infinity, iris open?"
            assert asked["text"] == (text if said is None else f"Lens {lens} stands {said}: is that meant? {text}")


async def test_what_was_found_before_the_daemon_was_started_is_told(bench: VirtualBench) -> None:
    """A display stayed empty after a restart. The zero and the length were found by another daemon, on this record."""
    async with bench.client() as client:
        for name in ("bench_zero", "adapter_length"):
            assert (await client.kept(f"finding/{name}"))["assessment"] == name


async def test_the_plates_own_shift_comes_into_force_and_is_true(record: Path, tmp_path: Path) -> None:
    """The glass line is the finding's then, the interval narrower, and both hold the world's truth."""
    async with (
        VirtualBench(tmp_path, record=record, pace=PACE, curves=True) as bench,
        person(bench) as (client, technician),
    ):
        before = await technician.check(LENS, [RING], [PANE])
        technician.fit([RING], [], LENS)
        tape = technician.measure("tape")
        wall = {"distance_mm": tape["distance_mm"], "m": tape["m"]}
        state = await technician.run("glass_toggle", lens=LENS, adapters=[RING], glass=[PANE], **wall)
        toggled = await technician.finding("glass_toggle", state["run"])
        assert (await client.kept("setup"))["f_number"] is None, "the iris is open again, and the set-up says so"
        after = await technician.check(LENS, [RING], [PANE])
        glass_um = bench.truth()["now"]["glass_um"]
        truth_um = bench.truth()["focus_error_um"]
    found = toggled["values"]["found"]
    assert abs(found["value"] - glass_um) <= found["U"]
    assert found["U"] < 1.0 < 2.0 * toggled["values"]["paraxial"]["u"]
    (line,) = [line for line in after["budgets"]["focus_error"] if line["term"] == f"glass {PANE}"]
    assert line["source"] in after["calibrations"]
    assert line["u"] == pytest.approx(found["u"])
    assert any(note.startswith(f"Glass {PANE} by cal-") for note in after["notes"])
    one, other = (finding["values"]["focus_error"] for finding in (before, after))
    assert other["u"] < one["u"]
    assert abs(other["value"] - truth_um) <= other["U"]


async def test_however_it_ends_the_set_up_says_that_the_iris_is_open(tmp_path: Path) -> None:
    """After an abort the next lens was measured as one at f/5.6, with a window three times too wide."""
    async with VirtualBench(tmp_path, pace=PACE) as bench, person(bench) as (client, technician):
        technician.fit([RING], [], LENS)
        run = await client.run("glass_toggle", {"lens": LENS, "adapters": [RING], "glass": [PANE]})
        async for state in client.follow(run):
            if state["state"] == "asking":
                await asyncio.sleep(1.0)
                assert (await client.kept("setup"))["f_number"] == 5.6
                await client.command("abort", run=run)
        assert state["state"] == "aborted"
        await asyncio.sleep(1.0)
        assert (await client.kept("setup"))["f_number"] is None


async def test_killed_in_it_the_next_daemon_takes_the_closed_iris_back_and_says_so(tmp_path: Path) -> None:
    """It went on by f/5.6 in silence."""
    async with VirtualBench(tmp_path, pace=PACE) as bench:
        async with person(bench) as (client, technician):
            technician.fit([RING], [], LENS)
            run = await client.run("glass_toggle", {"lens": LENS, "adapters": [RING], "glass": [PANE]})
            async for state in client.follow(run):
                if state["state"] == "asking":
                    break
            await asyncio.sleep(1.0)
            assert (await client.kept("setup"))["f_number"] == 5.6
        await bench.kill_daemon()
        await bench.start_daemon()
        async with bench.client("late") as client:
            setup = await client.kept("setup")
        await bench.end_daemon()
        with Reader.open("sqlite:///workshop.db", bench.bench_file.parent) as reader:
            why = reader.why_ended_early(run)
    assert (setup["f_number"], setup["lens"], setup["adapters"]) == (None, LENS, [RING])
    assert why is not None
    assert (why.code, why.severity) == ("abandoned", "warning")
    again = "As it would have at its end, the set-up says again: f_number none."
    assert why.text.endswith(f"{again} The set-up may still say what else the run had stated.")
    assert why.data["set"] == {"f_number": None}
