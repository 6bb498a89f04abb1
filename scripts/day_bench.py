"""A day at a simulated bench: lenses one after another, each seated, answered for with one tap, and judged.

In the morning zero is found on the adapter's seat, and the gap of the lenses' model at two walls; m is told by two
marks on the wall for each lens. After them one that is about 50 um out is measured, mended with the shim that is
advised, and proved: two taps. The machine's time is from the tap to the finding; the floor is what the hardware alone
needs for the same bytes and pictures. The truth is read from the world after the fact.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import shutil
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

from rich.table import Table

from bench_floor import PICTURE, Hardware, floor_of
from bench_journal import Chunk, answered, read
from bench_ready import BareCamera
from benchd.cli.console import wide
from benchd.client import BenchClient
from benchd.errors import BenchdError
from benchd.files.loading import load_bench
from day_world import write_day
from finding_bench import MARKS_APART_MM, with_marks
from stack import Stack, StackFailed
from technician import RunEnded, Technician

ADAPTERS, GLASS = ["ring-07"], ["pane-25"]
FETCHES, PAUSE_S = 12, 0.4
SHIM_PROOF = "shim_proof"


@dataclass(slots=True)
class Checked:
    """One run: its finding, the taps that it took, and when the last tap and the finding came (s, monotonic)."""

    lens: str
    finding: Mapping[str, Any]
    taps: int
    tapped_s: float
    told_s: float
    truth_um: float
    floor_s: float = 0.0
    proof: Mapping[str, Any] = field(default_factory=dict)

    @property
    def machine_s(self) -> float:
        return self.told_s - self.tapped_s

    @property
    def shim_um(self) -> float | None:
        advice = self.finding["advice"]
        return None if advice is None else advice["shim_um"]

    def as_json(self) -> dict[str, Any]:
        error, verdict = self.finding["values"]["focus_error"], self.finding["verdict"]
        return {
            "lens": self.lens,
            "taps": self.taps,
            "machine_s": round(self.machine_s, 2),
            "floor_s": round(self.floor_s, 2),
            "value_um": error["value"],
            "U_um": error["U"],
            "verdict": None if verdict is None else verdict["is"],
            "shim_um": self.shim_um,
            "truth_um": self.truth_um,
        }


class Hands(Technician):
    """Counts the taps."""

    taps = 0
    tapped_s = 0.0

    def obey(self, procedure: str, ask: dict[str, Any], inputs: dict[str, Any]) -> Any:
        answer = super().obey(procedure, ask, inputs)
        self.taps, self.tapped_s = self.taps + 1, time.monotonic()
        return answer


def main() -> int:
    """Exit 0 whatever the verdicts; 3 where the day did not come to its end."""
    parser = argparse.ArgumentParser(prog="scripts/day", description=__doc__)
    parser.add_argument("--lenses", type=int, default=10, metavar="N", help="how many (default 10)")
    parser.add_argument("--seed", type=int, default=1, help="draws another bench and other lenses (default 1)")
    parser.add_argument("--pace", type=float, default=1.0, help="world seconds a second (default 1, at most 5)")
    parser.add_argument("--json", action="store_true", help="exactly one JSON document on standard output")
    args = parser.parse_args()
    if args.lenses < 1 or not 0 < args.pace <= 5:
        parser.error("--lenses must be above zero, --pace above zero and at most 5")
    folder = Path(tempfile.mkdtemp(prefix="benchd-day-"))
    try:
        day = asyncio.run(_day(args, folder))
    except (StackFailed, RunEnded, BenchdError) as failed:
        print(f"The day did not come to its end: {failed}\nRecord and logs stay in {folder}.", file=sys.stderr)
        return 3
    except KeyboardInterrupt:
        return 130
    shutil.rmtree(folder, ignore_errors=True)
    if args.json:
        print(json.dumps(_document(day), allow_nan=False))
    else:
        _show(day)
    return 0


async def _day(args: argparse.Namespace, folder: Path) -> list[Checked]:
    world, lenses = write_day(folder, args.lenses, args.seed)
    journal = folder / "journal.txt"
    stack = Stack(world=str(world), seed=args.seed, pace=args.pace, folder=folder, journal=journal, change=with_marks)
    async with stack:
        stack.hand("set", "wall_marks", MARKS_APART_MM)
        async with stack.client("day") as client:
            await client.command("take", beat=False)
            hands = Hands(stack, client, lambda text: print(f"  {text}", file=sys.stderr))
            hands.clear()
            warmth = hands.measure("thermometer")
            await client.command("setup", set={"temperature_C": warmth["temperature_C"]})
            await hands.run("seat_zero", reference=hands.reference, adapters=ADAPTERS)
            for pane in GLASS:  # nothing below the lens is touched again
                stack.hand("fit", "glass", pane)
            await hands.run("two_walls", lens=lenses[0], adapters=ADAPTERS, glass=GLASS)
            day = [await _check(stack, client, hands, lens) for lens in lenses]
            day.append(await _prove(stack, client, hands, day[-1]))
        ports = json.loads((stack.run_folder / "ports.json").read_text(encoding="utf-8"))
        camera, fetched = BareCamera(ports["camera"]), time.monotonic()
        fetches = await asyncio.to_thread(camera.fetches_s, PICTURE.decode(), FETCHES, PAUSE_S)
        camera.close()
    chunks = read(journal)
    hardware = _hardware(stack, chunks, fetches, fetched)
    for one in day:
        one.floor_s = floor_of(chunks, one.tapped_s, one.told_s, hardware).total_s
    return day


async def _check(stack: Stack, client: BenchClient, hands: Hands, lens: str) -> Checked:
    """All but the lens stays as it stands."""
    hands.seat(lens)
    return await _run(stack, client, hands, "next_lens", lens, {"lens": lens})


async def _prove(stack: Stack, client: BenchClient, hands: Hands, before: Checked) -> Checked:
    """The lens that was checked last, with the shims that its finding advises."""
    advice = before.finding["advice"]
    if not advice or advice["shim_um"] is None:
        raise RunEnded(f"No shim is advised for {before.lens}: {before.finding['advice']}")
    under = list(advice["fitted_um"])
    for size in advice.get("remove", ()):
        hands.take_shim(size)
        under.remove(size)
    for size in advice["from_stock"]:
        hands.put_shim(size)
        under.append(size)
    proved = await _run(stack, client, hands, SHIM_PROOF, before.lens, {"lens": before.lens, "shims_um": under})
    proved.proof = await hands.finding(SHIM_PROOF, str(proved.finding["run"]))
    return proved


async def _run(
    stack: Stack, client: BenchClient, hands: Hands, procedure: str, lens: str, inputs: Mapping[str, Any]
) -> Checked:
    hands.taps = 0
    told: list[tuple[float, Mapping[str, Any]]] = []

    async def listen() -> None:
        async for _, document in client.watch("finding/flange"):
            if document is not None and document["lens"] == lens:
                told.append((time.monotonic(), document))

    listening = asyncio.create_task(listen())
    state = await hands.run(procedure, **inputs)
    await hands.finding("flange", str(state["run"]))
    listening.cancel()
    at_s, finding = next(one for one in reversed(told) if one[1]["run"] == state["run"])
    truth = (await stack.truth())["focus_error_um"]
    return Checked(lens, finding, hands.taps, hands.tapped_s, at_s, truth)


def _hardware(stack: Stack, chunks: Sequence[Chunk], fetches: Sequence[float], since: float) -> Hardware:
    took = [ask.took_s for ask in answered(chunks, PICTURE) if ask.t > since][: len(fetches)]
    bench = load_bench(stack.bench_file).file
    axis = bench.devices[bench.roles["carriage"]]
    return Hardware(
        acceleration_um_s2=float(axis.rest["acceleration_um_s2"]),
        settle_s=bench.motion.settle_ms / 1000.0,
        baud=int(bench.links[axis.link or ""].rest["baud"]),
        fetch_s=median(whole - inside for whole, inside in zip(fetches, took, strict=True)),
        um_per_unit=float(axis.rest["um_per_unit"]),
    )


def _document(day: Sequence[Checked]) -> dict[str, Any]:
    *lenses, before, after = day
    return {
        "lenses": [one.as_json() for one in lenses],
        "mended": {
            "before": before.as_json(),
            "after": after.as_json(),
            "moved_um": after.proof["values"]["change"],
            "expected_um": after.proof["values"]["expected"]["value"],
        },
    }


def _show(day: Sequence[Checked]) -> None:
    table = Table("lens", "taps", "machine, s", "floor, s", "stated ± U, µm", "truth, µm", "verdict", "shim, µm")
    for one in day:
        doc = one.as_json()
        table.add_row(
            one.lens, str(one.taps), f"{one.machine_s:.1f}", f"{one.floor_s:.1f}",
            f"{doc['value_um']:+.1f} ± {doc['U_um']:.1f}", f"{one.truth_um:+.1f}", str(doc["verdict"]),
            "" if one.shim_um is None else f"{one.shim_um:+.0f}",
        )  # fmt: skip
    out = wide(stderr=False)
    out.print(table)
    lenses = day[:-2]
    over = median(one.machine_s / one.floor_s for one in lenses)
    out.print(f"Median {median(one.machine_s for one in lenses):.1f} s from tap to verdict, {over:.2f} of its floor.")
    change, expected = (day[-1].proof["values"][key] for key in ("change", "expected"))
    out.print(
        f"The shim moved focus by {change['value']:+.1f} ± {change['U']:.1f} µm; {expected['value']:+.0f} expected."
    )


if __name__ == "__main__":
    sys.exit(main())
