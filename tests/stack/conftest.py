"""The whole stack in processes of its own: simulated hardware, broker, daemon; the tests are one more MQTT client.

Nothing here looks into the world: what stands on the bench is changed by the hand, what the bench finds is heard over
MQTT. Truth is asked for by the tests of truth alone, after the fact.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

sys.path.append(str(Path(__file__).resolve().parents[2] / "scripts"))

from stack import Stack
from technician import Technician

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

PACE = 5.0
SEED = 1
"""The bench of all tests but those of truth; the first there is, not chosen by what it draws."""


def quiet(_: str) -> None:
    """What the technician says goes nowhere."""


@asynccontextmanager
async def person(stack: Stack) -> AsyncIterator[tuple[BenchClient, Technician]]:
    """A client that holds control, and the technician who works with it."""
    async with stack.client("technician") as client:
        await client.command("take", beat=False)
        yield client, Technician(stack, client, quiet)


async def toggled(stack: Stack, lens: str, ring: str, pane: str) -> tuple[dict[str, Any], float]:
    """The finding of a plate that was put out, in, in and out of a calibrated bench, and its true shift (um)."""
    async with person(stack) as (_, technician):
        technician.fit([ring], [], lens)
        tape = technician.measure("tape")
        wall = {"distance_mm": tape["distance_mm"], "m": tape["m"]}
        state = await technician.run("glass_toggle", lens=lens, adapters=[ring], glass=[pane], repeats=1, **wall)
        finding = await technician.finding("glass_toggle", state["run"])
    out = (await stack.truth())["now"]["peak_depth_um"]
    stack.hand("fit", "glass", pane)
    return finding, (await stack.truth())["now"]["peak_depth_um"] - out


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def records(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Path]:
    """By bench file, the database of a bench of `SEED` whose zero and adapter were calibrated, and nothing else."""

    async def calibrated(config: str) -> Path:
        folder = tmp_path_factory.mktemp(config)
        async with (
            Stack(world=config, config=config, seed=SEED, pace=PACE, folder=folder) as stack,
            person(stack) as (_, technician),
        ):
            await technician.calibrate(["ring-07"])
        (record,) = stack.bench_file.parent.glob("*.db")
        assert not record.with_name(record.name + "-wal").exists(), "a record closed in order is one file"
        return record

    both = ("workshop", "workshop-collimated")
    return dict(zip(both, await asyncio.gather(*map(calibrated, both)), strict=True))


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(records: Mapping[str, Path], tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Stack]:
    """A calibrated bench at the wall, shared by the tests of a module; each brings it into the state it needs."""
    folder = tmp_path_factory.mktemp("bench")
    async with Stack(seed=SEED, pace=PACE, record=records["workshop"], folder=folder) as stack:
        yield stack
