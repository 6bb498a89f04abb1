"""Records of calibrated benches, made by whichever worker of the tests comes first: in virtual time all would be alike.

What is made on the bench says that it was made in 2030: it serves benches in virtual time only.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

import pytest

from tests.virtual.benches import PACE, SEED, VirtualBench, person
from tests.virtual.lab import run


def calibrated(folders: pytest.TempPathFactory, config: str) -> Path:
    """The database of a bench of this name whose zero and adapter were calibrated."""
    base = folders.getbasetemp()
    shared = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "records"
    shared.mkdir(exist_ok=True)
    folder = shared / config
    with (shared / f"{config}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (made := folder / "made").exists():
            made.write_text(run(_calibrated(folder, config), SEED).name)
    return folder / config / made.read_text()


async def _calibrated(folder: Path, config: str) -> Path:
    async with VirtualBench(folder, world=config, config=config, pace=PACE) as bench, person(bench) as (_, technician):
        await technician.calibrate(["ring-07"])
    (record,) = bench.bench_file.parent.glob("*.db")
    assert not record.with_name(record.name + "-wal").exists(), "a record closed in order is one file"
    return record
