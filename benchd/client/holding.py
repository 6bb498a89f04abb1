"""Hold-to-run from a program: the carriage moves as long as a block lasts, and stops however that is left.

    async with client.holding(speed_um_s=40) as hold:
        await until_it_is_sharp()
    print(hold.ended)                 # carriage_um, overshoot_um, and whether it was let go or lapsed

A program that hangs sends nothing more, and then the bench stops by itself: never send from a thread of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from benchd.errors import BenchdError

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

AGAIN_S = 0.1
"""The bench lets go after three of these."""


class Holding:
    """Sends the speed again and again, without waiting for answers, which may take longer than a hold lasts."""

    def __init__(self, client: BenchClient, axis: str, speed_um_s: float) -> None:
        self._client, self._axis, self._speed_um_s = client, axis, speed_um_s
        self._name, self._first, self._seq = secrets.token_hex(6), secrets.token_hex(6), 0
        self._sending: asyncio.Task[None] | None = None
        self._on_their_way: set[asyncio.Task[dict[str, Any]]] = set()
        self.ended: dict[str, Any] = {}
        """After the block: the data of the event of its end."""

    async def __aenter__(self) -> Self:
        """Raises as `BenchClient.command`, where it does not begin."""
        self._events = self._client.events()
        self._sending = asyncio.create_task(self._again_and_again(), name="holding")
        try:
            await self._say(self._speed_um_s, self._first)
        except BaseException:
            self._sending.cancel()
            raise
        return self

    def at(self, speed_um_s: float) -> None:
        """From now on at this speed, signed; not 0, which would let go."""
        if speed_um_s == 0.0:
            raise ValueError("a speed of 0 lets go: leave the block")
        self._speed_um_s = speed_um_s

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go, and wait until it stands. Raises the error that ended it before, unless the block raises its own."""
        assert self._sending is not None
        self._sending.cancel()
        await asyncio.wait({self._sending})
        try:
            with contextlib.suppress(BenchdError):  # it has ended already, or ends since nobody holds on
                await self._say(0.0)
            self.ended = await self._client.end_of(self._first, self._events)
        except BenchdError:
            if kind is None:
                raise
        finally:
            for task in self._on_their_way:
                task.cancel()

    async def _again_and_again(self) -> None:
        while True:
            await asyncio.sleep(AGAIN_S)
            if len(self._on_their_way) < 20:
                task = asyncio.create_task(self._say(self._speed_um_s))
                self._on_their_way.add(task)
                task.add_done_callback(self._said)

    def _said(self, task: asyncio.Task[dict[str, Any]]) -> None:
        self._on_their_way.discard(task)
        if not task.cancelled():
            task.exception()  # a message that was refused or lost lets go: what ended it is told by its event

    async def _say(self, speed_um_s: float, ident: str | None = None) -> dict[str, Any]:
        self._seq += 1
        args: dict[str, Any] = {"axis": self._axis, "speed_um_s": speed_um_s, "hold": self._name, "seq": self._seq}
        return await self._client.command("jog", at_once=self._seq > 1, ident=ident, **args)
