"""Moments that a step may wait for (`when="asking"`): each as it is told, or as the process comes to it."""

from __future__ import annotations

import asyncio
import json

from tests.virtual.ends.broker_end import Published
from tests.virtual.witness import BENCH

OF_A_RUN = ("running", "asking", "paused")
OF_THE_CARRIAGE = ("homing", "moving")
OF_THE_PROCESS = ("starting", "ending", "committing", "analysing")
MOMENTS = (*OF_A_RUN, *OF_THE_CARRIAGE, "measuring", *OF_THE_PROCESS)
WITHIN_S = 120.0
"""So long a step waits for its moment; it is then left out."""


class Moments:
    """`come` waits; whoever sees a moment says so by `now`."""

    def __init__(self) -> None:
        self._waiting: dict[str, list[tuple[int, asyncio.Future[None]]]] = {}

    async def come(self, when: str, nth: int = 1) -> bool:
        """Wait until it is so for the `nth` time from now; False where it is not."""
        it_is = asyncio.get_running_loop().create_future()
        self._waiting.setdefault(when, []).append((nth, it_is))
        try:
            async with asyncio.timeout(WITHIN_S):
                await it_is
        except TimeoutError:
            return False
        return True

    def now(self, what: str) -> None:
        """It is so."""
        if waiting := self._waiting.pop(what, None):
            left = []
            for nth, it_is in waiting:
                if nth > 1:
                    left.append((nth - 1, it_is))
                elif not it_is.done():
                    it_is.set_result(None)
            if left:
                self._waiting[what] = left

    def hear(self, message: Published) -> None:
        """What the daemon tells."""
        if not self._waiting or not message.of_the_daemon or not message.payload:
            return
        topic = message.topic.removeprefix(BENCH)
        if topic == "reading":
            self.now("measuring")
        elif topic in ("procedure", "device/carriage"):
            state = str(json.loads(message.payload)["state"])
            if state in (OF_A_RUN if topic == "procedure" else OF_THE_CARRIAGE):
                self.now(state)
