"""Homing with an eye on motor and scale: where they count opposite ways, homing ends in words about couplings and
limits, and no small move is possible that would show the cause."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from itertools import pairwise

from benchd.client import BenchClient
from benchd.commissioning.diagnosis import Found
from benchd.commissioning.factor import apart
from benchd.errors import BenchdError

SAMPLE_S, HOME_S = 0.05, 600.0
FAR_UM = 50.0
"""Of a way between two looks that shows which way it went."""
ENOUGH, MOST = 4, 0.75
"""Ways, and the share of them that must differ: at the switch the motor's count jumps, at the mark the scale's."""
ELSE = (
    "If couplings and travel are right, `um_per_unit` of the motor or of the scale may be wrong: move the carriage by "
    "hand along a rule, its motor switched off, and see what `benchd do read device=position` makes of it."
)

Look = tuple[float, float]
"""Motor and scale, um, read one soon after the other: in motion they show the way and no more."""


async def watched_homing(bench: BenchClient, device: str) -> list[Found]:
    """Home it, with control; whether motor and scale went opposite ways, and how homing ended if badly."""
    looks: list[Look] = []
    watching = asyncio.create_task(_watch(bench, looks), name="watch homing")
    failed: BenchdError | None = None
    try:
        await bench.do("home", within_s=HOME_S)
    except BenchdError as error:
        failed = error
    finally:
        watching.cancel()
        await asyncio.wait({watching})
    found = judged(looks, device)
    if failed is not None:
        found.append(Found("homing", "wrong", failed.text, "" if found else f"{failed.advice} {ELSE}".strip()))
    return found


async def _watch(bench: BenchClient, looks: list[Look]) -> None:
    """Both counts, again and again; a controller may be deaf while it homes."""
    while True:
        with suppress(BenchdError):
            motor = await bench.command("read", beat=False, device="carriage", motor=True)
            scale = await bench.command("read", beat=False, device="position")
            if motor["value"] is not None and scale["value"] is not None:
                looks.append((float(motor["value"]), float(scale["value"])))
        await asyncio.sleep(SAMPLE_S)


def judged(looks: Sequence[Look], device: str) -> list[Found]:
    """Whether they went opposite ways on most of the ways between two looks."""
    ways = [(after[0] - before[0], after[1] - before[1]) for before, after in pairwise(looks)]
    far = [motor * scale < 0.0 for motor, scale in ways if abs(motor) > FAR_UM and abs(scale) > FAR_UM]
    if len(far) < ENOUGH or sum(far) < MOST * len(far):
        return []
    return apart(f"On {sum(far)} of {len(far)} ways while it homed", -1.0, 1.0, device, None, None)
