"""Whole benches in virtual time: whatever test waits here waits on a loop whose time is its own."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path

import pytest
import pytest_asyncio

sys.path.append(str(Path(__file__).resolve().parents[2] / "scripts"))

from finding_bench import FindingBench, ready
from tests.virtual.benches import PACE, VirtualBench, person
from tests.virtual.calibrated import calibrated
from tests.virtual.same_each_time import _loop


def pytest_asyncio_loop_factories() -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    """A loop like that of `run` for tests and their fixtures."""
    return {"virtual": _loop}


@pytest.fixture(scope="session")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The database of a bench of `SEED` whose zero and adapter were calibrated, and nothing else."""
    return calibrated(tmp_path_factory, "workshop")


@pytest.fixture(scope="session")
def record_in_collimated_light(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same of the bench with a collimator."""
    return calibrated(tmp_path_factory, "workshop-collimated")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(record: Path, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    """A calibrated bench at the wall, shared by the tests of a module; each brings it into the state it needs."""
    async with VirtualBench(tmp_path_factory.mktemp("bench"), record=record, pace=PACE) as bench:
        yield bench


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at_wall(bench: VirtualBench) -> AsyncIterator[FindingBench]:
    """The same, homed and lit, with somebody in control who states and sweeps."""
    async with person(bench) as (client, technician):
        yield await ready(bench, client, technician)
