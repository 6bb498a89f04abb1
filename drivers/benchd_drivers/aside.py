"""Blocking calls that may hang for ever, as files on a network share do: each in a daemon thread of its own.

One that has not come back in time is left to itself. Until it has, nothing else is begun; the process can end without
it.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from benchd.devices import LinkTimeout

T = TypeVar("T")


class Aside:
    """The threads of one device."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._left: set[threading.Thread] = set()

    async def done(self, work: Callable[[], T], what: str, within_s: float) -> T:
        """The result of `work`. Raises what it raises, and LinkTimeout."""
        self._left = {thread for thread in self._left if thread.is_alive()}
        if self._left:
            raise self._hangs(what)
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[T] = loop.create_future()

        def run() -> None:
            result, error = None, None
            try:
                result = work()
            except Exception as raised:  # noqa: BLE001 - handed to the caller
                error = raised

            def tell() -> None:
                if answer.done():
                    return
                if error is not None:
                    answer.set_exception(error)
                else:
                    answer.set_result(result)  # type: ignore[arg-type]

            with suppress(RuntimeError):  # the loop has ended before it
                loop.call_soon_threadsafe(tell)

        thread = threading.Thread(target=run, name=f"{what} of {self._name}", daemon=True)
        thread.start()
        try:
            async with asyncio.timeout(within_s):
                return await answer
        except TimeoutError:
            self._left.add(thread)
            raise self._hangs(what) from None

    def _hangs(self, what: str) -> LinkTimeout:
        return LinkTimeout(
            f"{self._name}: to {what} takes too long, or does not come back at all.",
            advice="Check the disk, or the network and the computer that shares the folder.",
            device=self._name,
        )
