"""The continuous sweep against the stepped one: how much sooner the same uncertainty is reached, in one run.

Both are taken on the same bench, one after the other, with few and with many passes. What a pass costs is the
difference, in which homing, search and report cancel. Uncertainty falls with the root of the readings: for the same one
times count by the square of u.
"""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from statistics import median
from typing import Any

from ruamel.yaml import YAML

from bench_figure import Figure
from bench_ready import make_ready
from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from stack import Stack

PART = "continuous"
FEW, MANY = 1, 4
MODES = ("stepped", "continuous")
REGION = {"width_px": 320, "height_px": 240}
"""A camera at 60 pictures a second sends a region; twice as large pixels have it hold the target."""
LEAST_POINT_S = 0.32


@dataclass(frozen=True, slots=True)
class Swept:
    """One sweep: wall time from its command to its end (s), u of its line of the budget (um), readings, and degrees of
    freedom."""

    wall_s: float
    u_um: float
    readings: int
    dof: float


@dataclass(frozen=True, slots=True)
class Rate:
    """What a mode takes a pass (s), and a pass's u (um) by that of many."""

    pass_s: float
    u_um: float
    many: Swept

    @property
    def for_a_um_s(self) -> float:
        """Seconds for a standard uncertainty of 1 um."""
        return self.pass_s * self.u_um**2


def measure(*, rounds: int = 2) -> list[Figure]:
    """Stepped and continuous sweeps in turn, on a bench at pace 1."""
    try:
        modes = asyncio.run(_measure(rounds))
    except BenchdError as error:  # such as of a machine that is too busy to read positions often enough
        return [Figure(PART, "stepped over continuous", 0.0, "", least=10.0, note=f"not measured: {error.text}")]
    stepped, continuous = modes["stepped"], modes["continuous"]
    point_s = MANY * stepped.pass_s / stepped.many.readings
    times = times_quicker(modes)
    whole = (stepped.many.wall_s * stepped.many.u_um**2) / (continuous.many.wall_s * continuous.many.u_um**2)
    there_and_back = f"{continuous.many.readings // MANY} readings there and back in {continuous.pass_s:.2f} s"
    return [
        Figure(PART, "stepped over continuous", times, "", least=10.0 if point_s >= LEAST_POINT_S else None,
               note=f"time a pass for the same u; {there_and_back}, u {continuous.u_um:.3f} µm a pass; stepped "
                    f"{stepped.many.readings // MANY} in {stepped.pass_s:.2f} s, u {stepped.u_um:.3f} µm"),
        Figure(PART, "a stepped point", point_s, "s", note="the target is for 0.32 s and more"),
        Figure(PART, "whole commands", whole, "", note=f"the same with search and report, {MANY} passes each"),
    ]  # fmt: skip


def times_quicker(modes: Mapping[str, Rate]) -> float:
    """How much sooner a continuous sweep reaches the same uncertainty."""
    return modes["stepped"].for_a_um_s / modes["continuous"].for_a_um_s


async def _measure(rounds: int) -> dict[str, Rate]:
    with tempfile.TemporaryDirectory(prefix="benchd-bench-") as scratch:
        world = world_with_region(Path(scratch))
        async with Stack(folder=Path(scratch) / "stack", world=str(world)) as stack, stack.client("bench") as client:
            await make_ready(stack, client)
            return await compared(client, rounds)


async def compared(client: BenchClient, rounds: int) -> dict[str, Rate]:
    """Both modes in turn, on a bench that is ready."""
    found: dict[tuple[str, int], list[Swept]] = {}
    for _ in range(rounds):
        for mode in MODES:
            for passes in (FEW, MANY):
                found.setdefault((mode, passes), []).append(await _swept(client, mode, passes))
    return {mode: _rate(found[mode, FEW], found[mode, MANY]) for mode in MODES}


def _rate(few: list[Swept], many: list[Swept]) -> Rate:
    pass_s = (median(one.wall_s for one in many) - median(one.wall_s for one in few)) / (MANY - FEW)
    # Each u is scaled by its own residuals: together they have the degrees of freedom of all.
    dof = sum(one.dof for one in many)
    u_um = (sum(one.dof * one.u_um**2 for one in many) / dof) ** 0.5
    return Rate(pass_s, u_um * MANY**0.5, Swept(median(one.wall_s for one in many), u_um, many[-1].readings, dof))


async def _swept(client: BenchClient, mode: str, passes: int) -> Swept:
    now = asyncio.get_running_loop().time
    began = now()
    done = await client.do("sweep", about="nominal", mode=mode, repeats=passes, within_s=300.0)
    wall_s = now() - began
    finding: dict[str, Any] = await client.kept("finding/flange")
    assert finding["run"] == done["run"], "the finding of another run"
    line = next(line for line in finding["budgets"]["focus_error"] if line["term"] == "sweep")
    first, last = finding["readings"]["indices"]
    return Swept(wall_s, line["u"], last - first + 1, line["dof"])


def world_with_region(folder: Path) -> Path:
    """The workshop with a camera that sends a region."""
    yaml = YAML()
    shipped = files("benchd_simulators") / "worlds" / "workshop.yaml"
    doc = yaml.load(shipped.read_text(encoding="utf-8"))
    camera = doc["camera"]
    camera.update(REGION)
    camera["pixel_um"] = {**camera["pixel_um"], "record": 2.0 * camera["pixel_um"]["record"]}
    path = folder / "region.yaml"
    with path.open("w", encoding="utf-8") as out:
        yaml.dump(doc, out)
    return path
