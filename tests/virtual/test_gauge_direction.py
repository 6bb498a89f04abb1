"""An indicator whose reading grows as its tip is pushed in: stated so, it finds the true zero; the other way, none.

It gave a zero that was 120 um off, at U 1.4 um, without a word.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd_simulators.world.reading import find_world
from technician import RunEnded
from tests.virtual.benches import PACE, VirtualBench, person


def world_in(folder: Path) -> str:
    """The workshop, its indicator counting the other way."""
    text = find_world("workshop").read_text(encoding="utf-8")
    file = folder / "pushed-in.yaml"
    file.write_text(text.replace("indicator:\n", "indicator:\n  grows: shallower\n"), encoding="utf-8")
    return str(file)


def as_it_counts(doc: Any) -> None:
    doc["devices"]["dial"]["grows"] = "shallower"


async def test_stated_as_it_counts_it_finds_the_true_zero_and_length(tmp_path: Path) -> None:
    async with (
        VirtualBench(tmp_path / "bench", world=world_in(tmp_path), change=as_it_counts, pace=PACE) as bench,
        person(bench) as (client, technician),
    ):
        await technician.calibrate(["ring-07"])
        truth = bench.truth()["quantities"]
        for assessment, quantity in (("bench_zero", "base.depth_um"), ("adapter_length", "adapter.ring-07.length_um")):
            found = await client.kept(f"finding/{assessment}")
            length = found["values"]["length"]
            # The seed is not chosen: twice the 95 % interval is for the bench that lies outside.
            assert abs(length["value"] - truth[quantity]["true"]) < 2.0 * length["U"]


async def test_stated_the_other_way_the_run_ends_with_what_to_write(tmp_path: Path) -> None:
    async with (
        VirtualBench(tmp_path / "bench", world=world_in(tmp_path), pace=PACE) as bench,
        person(bench) as (client, technician),
    ):
        await client.command("setup", set={"temperature_C": 21.5})
        with pytest.raises(RunEnded, match=r"counts the other way .* Write `grows: shallower`"):
            await technician.run("bench_zero", reference="collar-45")
