"""Slow lights are waited for in virtual time."""

from benchd.testing.virtual_time import virtual_loops as pytest_asyncio_loop_factories

__all__ = ["pytest_asyncio_loop_factories"]
