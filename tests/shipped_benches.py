"""The two shipped benches, read once."""

from __future__ import annotations

import pytest

from benchd.files.loading import LoadedBench, load_bench
from tests.bench.datum.wall_chain import CONFIGS


@pytest.fixture(scope="session")
def wall() -> LoadedBench:
    return load_bench(CONFIGS / "workshop" / "bench.yaml")


@pytest.fixture(scope="session")
def collimated() -> LoadedBench:
    return load_bench(CONFIGS / "workshop-collimated" / "bench.yaml")
