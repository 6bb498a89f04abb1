"""The life of one daemon among several in one process: what belongs to it, so that it can be killed as a whole."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from contextvars import Context, ContextVar, copy_context
from typing import Any

from benchd.records.store import Store

LIFE: ContextVar[Life | None] = ContextVar("life", default=None)


class Life:
    """One process of the daemon, as far as one process can hold several: its tasks, and its hold on the record."""

    def __init__(self) -> None:
        self.over = False
        self.tasks: list[asyncio.Task[Any]] = []
        self.stores: list[Store] = []

    def task(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """The first of its tasks; those that it creates are known by their context."""
        context = copy_context()
        context.run(LIFE.set, self)
        return asyncio.get_running_loop().create_task(work, name="daemon", context=context)

    def end(self) -> None:
        """No more is written into the record, and every task is broken off."""
        self.over = True
        for store in self.stores:
            store._writer.forsaken = True  # type: ignore[attr-defined]
        for task in self.tasks:
            task.cancel()

    async def ended(self) -> None:
        """Nothing of it is left. Raises AssertionError where a task goes on all the same."""
        left = {task for task in self.tasks if not task.done()}
        if left:
            _, left = await asyncio.wait(left, timeout=30.0)
        assert not left, f"these outlive a kill: {left}"
        for store in self.stores:
            store._writer.forsaken = False  # type: ignore[attr-defined]
            await store.close()


def of_its_life(
    loop: asyncio.AbstractEventLoop, work: Any, *, context: Context | None = None, **more: Any
) -> asyncio.Task[Any]:
    task = asyncio.Task(work, loop=loop, context=context, **more)
    life = context.get(LIFE) if context is not None else LIFE.get()
    if life is not None:
        life.tasks = [one for one in life.tasks if not one.done()] if len(life.tasks) > 200 else life.tasks
        life.tasks.append(task)
        if life.over:
            task.cancel()
    return task
