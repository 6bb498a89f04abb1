"""Work that must be finished once begun, such as bringing an axis to rest, even if its caller is cancelled."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


async def finish(work: Coroutine[Any, Any, T], name: str) -> T:
    """Await `work` to its end even if the caller is cancelled; the cancellation is raised afterwards.

    `work` must be bounded in time by itself.
    """
    task = asyncio.create_task(work, name=name)
    cancelled: asyncio.CancelledError | None = None
    while not task.done():
        try:
            await asyncio.wait({task})
        except asyncio.CancelledError as caught:
            cancelled = caught
    if cancelled is not None:
        if not task.cancelled():
            task.exception()
        raise cancelled
    return task.result()
