"""A fixture that fails the test which leaves a task, a thread or an open handle behind.

Use it for every test of a room by naming it in that room's `conftest.py`:

    from benchd.testing.leaks import no_leaks
    __all__ = ["no_leaks"]
"""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import AsyncIterator

import pytest_asyncio

_NOT_OURS = ("anon_inode:", "/dev/null", "/dev/urandom")


def open_handles() -> dict[int, str]:
    """The open file descriptors of this process and what they point at."""
    handles = {}
    for name in os.listdir("/proc/self/fd"):
        try:
            target = os.readlink(f"/proc/self/fd/{name}")
        except OSError:
            continue
        if not target.startswith(_NOT_OURS) and target != f"/proc/{os.getpid()}/fd":
            handles[int(name)] = target
    return handles


def left_behind(before: dict[int, str], threads: set[threading.Thread], patience_s: float = 1.0) -> list[str]:
    """What is still there and was not before; what is just ending gets `patience_s`."""
    deadline = time.monotonic() + patience_s
    while True:
        left = [f"thread {t.name}" for t in threading.enumerate() if t not in threads]
        left += [f"handle {fd} -> {to}" for fd, to in open_handles().items() if before.get(fd) != to]
        if not left or time.monotonic() > deadline:
            return left
        time.sleep(0.01)


@pytest_asyncio.fixture(autouse=True)
async def no_leaks() -> AsyncIterator[None]:
    """Compare tasks, threads and handles before and after the test."""
    before, threads = open_handles(), set(threading.enumerate())
    tasks = asyncio.all_tasks()
    yield
    await asyncio.get_running_loop().shutdown_default_executor()  # the loop's own threads are nobody's leak
    running = [t for t in asyncio.all_tasks() - tasks if t is not asyncio.current_task() and not t.done()]
    left = [f"task {t.get_name()}" for t in running] + left_behind(before, threads)
    assert not left, f"left behind: {', '.join(left)}"
