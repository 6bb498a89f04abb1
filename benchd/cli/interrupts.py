"""Ctrl-C beside something that moves: the first stops the bench, the second leaves."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import AsyncIterator

from benchd.cli.speak import remark
from benchd.client import BenchClient
from benchd.errors import BenchdError


@contextlib.asynccontextmanager
async def stopping(bench: BenchClient, then: str) -> AsyncIterator[None]:
    """While inside, the first Ctrl-C sends `stop` and says `then`; the second raises KeyboardInterrupt."""
    loop = asyncio.get_running_loop()
    inside = asyncio.current_task()
    assert inside is not None
    sent: list[asyncio.Task[None]] = []

    def interrupted() -> None:
        if sent:
            inside.cancel()
        else:
            sent.append(asyncio.create_task(_stop(bench, then), name="stop"))

    loop.add_signal_handler(signal.SIGINT, interrupted)
    try:
        yield
    except asyncio.CancelledError:
        if not sent or not inside.cancelling():
            raise
        inside.uncancel()
        raise KeyboardInterrupt("Left; what was begun is as the bench says (`benchd status`).") from None
    finally:
        loop.remove_signal_handler(signal.SIGINT)
        for task in sent:
            await asyncio.wait([task])


async def _stop(bench: BenchClient, then: str) -> None:
    try:
        await bench.stop()
    except BenchdError as error:
        remark(f"\nThe stop did not get through: {error.text} Use the emergency stop.")
    else:
        remark(f"\nStop sent. {then}")
