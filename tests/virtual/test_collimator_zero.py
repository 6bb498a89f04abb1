"""A collimator set by autocollimation against the vergence that the world knows: through MQTT and the hand alone."""

from __future__ import annotations

from math import sqrt
from pathlib import Path
from typing import Any

import pytest

from benchd.devices.clock import Clock
from benchd.errors import Refused
from benchd.records.store import Store
from benchd.records.values import Calibration
from finding_bench import LENS, PANE, RING, ready
from technician import RunEnded, Technician
from tests.virtual.benches import PACE, VirtualBench, person, quiet

SEEDS = range(1, 13)
FLAT = "flat-80"
COLLIMATED = "workshop-collimated"


def collimated(folder: Path, **more: Any) -> VirtualBench:
    return VirtualBench(folder, world=COLLIMATED, config=COLLIMATED, pace=PACE, **more)


def term(setup: dict[str, Any], name: str) -> dict[str, Any]:
    return next(dict(one) for one in setup["chain"] if one["term"] == name)


def toward(doc: Any) -> None:
    doc["arrangement"]["tube_grows"] = "toward"


async def zero_of(technician: Technician) -> dict[str, Any]:
    state = await technician.run("collimator_zero", reference=FLAT)
    return await technician.finding("collimator_zero", str(state["run"]))


async def test_the_stated_vergence_is_true_and_far_surer_than_nothing(tmp_path: Path) -> None:
    """Twelve benches, each with a flat, a focal length and a tube of its own."""
    off = []
    for seed in SEEDS:
        async with collimated(tmp_path / str(seed), seed=seed) as bench, person(bench) as (client, technician):
            await client.command("setup", set={"temperature_C": technician.measure("thermometer")["temperature_C"]})
            found = (await zero_of(technician))["values"]
            truth = bench.truth()["now"]["vergence_per_m"]
            vergence = found["vergence"]
            assert vergence["unit"] == "1/m"
            assert 3e-5 < vergence["u"] < 1.5e-4, "4e-4 as it was found"
            assert abs(found["setting"]["value"]) < 40.0, "locked about their middle"
            off.append((vergence["value"] - truth) / vergence["u"])
            if abs(vergence["value"] - truth) > vergence["U"]:
                off.append(99.0)
    outside = off.count(99.0)
    rms = sqrt(sum(z * z for z in off if z < 99.0) / len(SEEDS))
    assert outside <= 3, off  # of 12 at 95 % more than three would be 1 in 450
    assert 0.4 < rms < 1.65, off  # chi-square of 12: a true 1 lies within 1 in 1000 on either side


@pytest.mark.parametrize("away_mm", [0.4, -0.4])
async def test_locked_away_from_its_setting_the_image_goes_where_the_chain_says(tmp_path: Path, away_mm: float) -> None:
    """0.4 mm beyond the focus of 500 mm is -0.0016 1/m, converging, and 49.6 mm squared of it 3.9 um shallower."""

    class Elsewhere(Technician):
        def lock_tube(self, reads_mm: float) -> float:
            return super().lock_tube(reads_mm + away_mm)

    async with collimated(tmp_path) as bench, bench.client("technician") as client:
        await client.command("take", beat=False)
        technician = Elsewhere(bench, client, quiet)
        technician.fit(list(RING), list(PANE), None)
        found = (await zero_of(technician))["values"]
        assert found["setting"]["value"] == pytest.approx(1000.0 * away_mm, abs=20.0)
        assert found["vergence"]["value"] == pytest.approx(-0.004 * away_mm, abs=1e-4)
        technician.seat(LENS)
        warmth = technician.measure("thermometer")["temperature_C"]
        stands = {"lens": LENS, "adapters": list(RING), "glass": list(PANE), "ring": "infinity"}
        await client.command("setup", set={**stands, "temperature_C": warmth})
        conjugate, now = term(await client.kept("setup"), "conjugate"), bench.truth()["now"]
        assert conjugate["value_um"] == pytest.approx(-9.84 * away_mm, abs=0.3)
        assert abs(conjugate["value_um"] - now["conjugate_um"]) < 3.0 * conjugate["u_um"]
        assert abs(now["conjugate_um"]) > 3.0, "or nothing was seen of it"


async def test_a_lens_is_surer_with_it_and_as_before_without(record_in_collimated_light: Path, tmp_path: Path) -> None:
    """In force, in its finding's budget and among its calibrations; withdrawn, the bench file's own counts again."""
    async with collimated(tmp_path, record=record_in_collimated_light) as bench:

        async def check() -> dict[str, Any]:
            async with person(bench) as (client, technician):
                stack = await ready(bench, client, technician)
                return await stack.find(LENS, RING, PANE)

        before = await check()
        async with person(bench) as (client, technician):
            # As it was told for the other calibrations: the thermometer's own error is the same for all.
            await client.command("setup", set={"temperature_C": technician.measure("thermometer")["temperature_C"]})
            zero = await zero_of(technician)
        assert any("stays locked" in note for note in zero["notes"])
        after = await check()
        lines = [
            next(line for line in finding["budgets"]["focus_error"] if line["term"] == "conjugate")
            for finding in (before, after)
        ]
        assert lines[0]["source"] == "collimator, bench file"
        number = lines[1]["source"]
        assert number.startswith("cal-")
        assert number in after["calibrations"]
        assert number not in before["calibrations"]
        assert lines[1]["u"] < 0.3 * lines[0]["u"]
        assert lines[1]["dof"] is not None, "five settings are behind it"
        # f^2 times the finding's own u; what the warmth may do since is next to nothing within the same day.
        assert lines[1]["u"] == pytest.approx(49.6**2 * zero["values"]["vergence"]["u"], rel=0.05)
        stated = [finding["values"]["focus_error"] for finding in (before, after)]
        truth = bench.truth()["focus_error_um"]
        for value in stated:
            assert abs(value["value"] - truth) <= value["U"]
        assert stated[1]["U"] < stated[0]["U"] - 0.1

        await bench.end_daemon()
        store = await Store.open("sqlite:///collimated.db", bench.bench_file.parent, Clock())
        withdrawn = Calibration("", "collimator", None, None, "1/m", None, None, (), None, None, "keeper", "")
        await store.add_calibrations([withdrawn])
        await store.close()
        await bench.start_daemon()
        again = await check()
        # What the bench file says is of a tube as it stood before it was set.
        assert not again["absolute"]
        assert again["verdict"] is None
        assert [why for why in again["why_relative"] if "tube was moved" in why]


async def test_once_the_tube_was_moved_what_was_calibrated_counts_no_more(tmp_path: Path) -> None:
    """A run that is broken off, or whose finding nobody accepts, leaves a tube that stands elsewhere."""
    async with collimated(tmp_path) as bench, person(bench) as (client, technician):
        technician.fit(list(RING), list(PANE), None)
        stands = {"lens": LENS, "adapters": list(RING), "glass": list(PANE), "ring": "infinity"}

        async def source() -> str:
            await client.command("setup", set=stands)
            return str(term(await client.kept("setup"), "conjugate")["source"])

        found = await zero_of(technician)
        assert found["readings"]["indices"] == [0, 5], "what was typed is kept as readings"
        assert (await source()).startswith("cal-")
        refusing = Technician(bench, client, quiet, accept=False)
        events = client.events()
        await zero_of(refusing)
        assert await source() == "collimator, bench file"
        why = (await client.kept("setup"))["why_relative"]
        assert any("tube was moved" in clause for clause in why)
        told = [event["text"] async for _, event in _until(events, "withdrawn")]
        assert told[-1] == (
            "The calibration of collimator (cal-1) counts no more, by technician: collimator_zero (r-0002) changes it."
        )


async def _until(events: Any, code: str) -> Any:
    async for topic, event in events:
        yield topic, event
        if event["code"] == code:
            return


async def test_a_tube_that_reads_the_other_way_is_told_so(tmp_path: Path) -> None:
    """The bench file says `toward` of a tube that grows away: then what is locked deeper counts as shallower."""

    class Elsewhere(Technician):
        def lock_tube(self, reads_mm: float) -> float:
            return super().lock_tube(reads_mm + 0.4)

    async with collimated(tmp_path, change=toward) as bench, bench.client("technician") as client:
        await client.command("take", beat=False)
        found = await zero_of(Elsewhere(bench, client, quiet))
        assert found["values"]["setting"]["value"] == pytest.approx(-400.0, abs=20.0)


async def test_a_mistyped_setting_is_noted_and_shown_to_who_accepts(tmp_path: Path) -> None:
    asked: list[str] = []

    class Mistaken(Technician):
        def obey(self, procedure: str, ask: dict[str, Any], inputs: dict[str, Any]) -> Any:
            asked.append(ask["text"])
            answer = super().obey(procedure, ask, inputs)
            return answer + 0.5 if ask["name"] == "tube_set" and len(self.settings_mm) == 2 else answer

    async with collimated(tmp_path) as bench, bench.client("technician") as client:
        await client.command("take", beat=False)
        found = await zero_of(Mistaken(bench, client, quiet))
        (note,) = [note for note in found["notes"] if "far off" in note]
        assert note.startswith("Setting 2 of 5 is far off the others, +")
        assert note in asked[-1] or note in asked[-2]
        assert found["values"]["vergence"]["u"] > 3e-4, "nothing is left out: its scatter counts"


async def test_what_it_cannot_go_by_is_refused_before_anybody_turns_a_tube(tmp_path: Path) -> None:
    def nothing(doc: Any) -> None:
        doc["arrangement"] = {"kind": "collimated", "u_vergence_per_m": 4e-4}

    flats = {
        "references/flat-9.yaml": "reference: flat-9\nkind: flat\n",
        "references/flat-80.yaml": "reference: flat-80\nkind: flat\nflat: {flatness_um: 0.06, over_mm: 80}\n",
    }
    async with collimated(tmp_path / "one", change=nothing) as bench, person(bench) as (client, _):
        with pytest.raises(
            Refused, match="focal_length_mm and tube_grows and u_tube_um, which the bench file does not"
        ):
            await client.run("collimator_zero", {"reference": FLAT})
    async with collimated(tmp_path / "two", files=flats) as bench, person(bench) as (client, _):
        with pytest.raises(Refused, match="no reference 'flat-81'"):
            await client.run("collimator_zero", {"reference": "flat-81"})
        with pytest.raises(Refused, match="collar-45 is a setting_ring"):
            await client.run("collimator_zero", {"reference": "collar-45"})
    async with VirtualBench(tmp_path / "three", pace=PACE, files=flats) as bench, person(bench) as (client, _):
        with pytest.raises(Refused, match=r"On this bench \(wall\) .* collimator_zero is a question of collimated"):
            await client.run("collimator_zero", {"reference": FLAT})


async def test_a_tube_locked_far_away_is_no_collimator(tmp_path: Path) -> None:
    class Elsewhere(Technician):
        def lock_tube(self, reads_mm: float) -> float:
            return super().lock_tube(reads_mm + 2.0)

    async with collimated(tmp_path) as bench, bench.client("technician") as client:
        await client.command("take", beat=False)
        with pytest.raises(RunEnded, match=r"at most 0\.005 can be counted with"):
            await zero_of(Elsewhere(bench, client, quiet))
