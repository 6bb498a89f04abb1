"""Runs are run in virtual time."""

from benchd.testing.virtual_time import virtual_loops as pytest_asyncio_loop_factories
from tests.shipped_benches import wall

__all__ = ["pytest_asyncio_loop_factories", "wall"]
