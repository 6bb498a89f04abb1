"""People with clients: what each can do beside the verbs of the bench, at leisure, in haste, twice, or wrongly."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from typing import Any

from benchd.client.bench_client import BenchClient
from technician import Technician
from tests.virtual.ends.broker_connection import MemoryClient
from tests.virtual.lab import Lab

MINUTE_S = 60.0
WITHOUT_BEAT = ("take", "release", "light", "read", "note", "accept", "withdraw", "record", "camera")
LENS = "L-0417"
ASKED_S = 0.3
"""By then a run has asked what it asks before it begins."""
OPEN = 1.0
"""Of the iris: as far as the lens lets it."""


OWN = (
    "stop", "check", "next", "toggle", "calibrate", "zero", "arrange", "answer", "once", "pause", "resume", "abort",
    "typed",
)  # fmt: skip
"""What a person does in a way of his own; whatever else is a verb."""
SEEN_TO = ("sweep",)
"""Verbs that a person stays for."""


class Person:
    """A user with a client that connects again when it is lost."""

    def __init__(self, lab: Lab, name: str) -> None:
        self._lab = lab
        self.name = name
        self._stack = AsyncExitStack()
        self._client: BenchClient | None = None
        self._connecting = asyncio.Lock()

    async def client(self) -> BenchClient:
        """Raises BenchdError where the bench is not to be had."""
        async with self._connecting:
            if self._client is not None and self._client._heard.broken is not None:
                await self.away()
            if self._client is None:
                self._client = await self._stack.enter_async_context(self._lab.client(self.name))
            return self._client

    async def away(self) -> None:
        """Let go of the connection."""
        self._client = None
        stack, self._stack = self._stack, AsyncExitStack()
        await stack.aclose()

    async def act(self, do: str, args: dict[str, Any]) -> None:
        """Raises BenchdError."""
        if do in ("drop", "stall"):
            await self._trouble(do, args)
            return
        client = await self.client()
        own: Callable[..., Awaitable[None]] | None = getattr(self, f"_{do}", None) if do in OWN + SEEN_TO else None
        if own is not None:
            await own(client, **args)
        else:
            await client.command(do, beat=do not in WITHOUT_BEAT, **args)

    async def _stop(self, client: BenchClient) -> None:
        await client.stop()

    async def _check(self, client: BenchClient, repeats: int = 3, forgets: str | None = None) -> None:
        """Fit a lens, and run its check to the end, its questions answered; `forgets` to do what one of them asks."""
        technician = Careless(self._lab, client, forgets)
        async with asyncio.timeout(10 * MINUTE_S):
            await technician.check(LENS, ["ring-07"], [], repeats=repeats)

    async def _next(self, client: BenchClient, reseat: int = 0, forgets: str | None = None) -> None:
        """The same by `next_lens`, the lens taken off and seated again so often."""
        technician = Careless(self._lab, client, forgets)
        async with asyncio.timeout(10 * MINUTE_S):
            await technician.run("next_lens", lens=LENS, adapters=["ring-07"], glass=[], reseat=reseat)

    async def _toggle(self, client: BenchClient, forgets: str | None = None) -> None:
        """A plate in and out of a lens, whose iris is opened again however that ends."""
        technician = Careless(self._lab, client, forgets)
        try:
            async with asyncio.timeout(10 * MINUTE_S):
                await technician.run("glass_toggle", lens=LENS, adapters=["ring-07"], glass=["pane-25"], repeats=1)
        finally:
            self._lab.hand("set", "iris", OPEN)

    async def _calibrate(self, client: BenchClient, forgets: str | None = None) -> None:
        technician = Careless(self._lab, client, forgets)
        async with asyncio.timeout(10 * MINUTE_S):
            await technician.calibrate(["ring-07"])

    async def _zero(self, client: BenchClient, forgets: str | None = None) -> None:
        """Absolute zero alone, found and accepted."""
        technician = Careless(self._lab, client, forgets)
        technician.clear()
        async with asyncio.timeout(10 * MINUTE_S):
            await technician.run("bench_zero", reference=technician.reference)

    async def _arrange(self, client: BenchClient, lens: str | None, glass: list[str]) -> None:
        """Say what is going to stand on the bench, and fit it: an honest set-up, all at once."""
        adapters = ["ring-07"] if lens or glass else []
        ring = {"ring": "infinity"} if lens else {}
        await client.command("setup", set={"lens": lens, "adapters": adapters, "glass": glass} | ring)
        self._lab.hand("set", "indicator", "away")
        Technician(self._lab, client, lambda _: None).fit(adapters, glass, lens)
        if lens:
            self._lab.hand("set", "ring", "infinity")

    async def _sweep(self, client: BenchClient, **args: Any) -> None:
        """What stands there is meant so, with the glass of the lens's record or without."""
        run = (await client.command("sweep", **args))["run"]
        await asyncio.sleep(ASKED_S)
        told = await client.kept("procedure") or {}
        if told.get("run") == run and (ask := told["ask"]) is not None and ask["name"] == "glass_meant":
            await client.answer(ask["ask"], True)

    async def _answer(self, client: BenchClient, value: Any = True, late: bool = False, twice: bool = False) -> None:
        """The question that stands; `late`: the one before it, whoever has answered that."""
        stands = ((await client.kept("procedure") or {}).get("ask") or {}).get("ask")
        put = self._lab.watched.asks if self._lab.watched is not None else []
        ask = next((one for one in reversed(put) if one != stands), None) if late else stands
        if ask is not None:
            answers = [client.answer(ask, value) for _ in range(2 if twice else 1)]
            for failed in await asyncio.gather(*answers, return_exceptions=True):
                if isinstance(failed, BaseException):
                    raise failed

    async def _once(
        self,
        client: BenchClient,
        verb: str,
        args: dict[str, Any],
        slow_s: float = 0.0,
        leaves_s: float | None = None,
    ) -> None:
        """As a command line: connect, send, wait for the end, leave. All that it hears it hears `slow_s` late.

        `leaves_s`: it is broken off so long after it was begun.
        """
        async with asyncio.timeout(leaves_s), self._lab.client(self.name) as own:
            raw = _raw(own)
            if raw is not None:
                raw.lags(slow_s)
            if verb == "stop":
                await own.stop()
            elif verb in WITHOUT_BEAT:
                await own.command(verb, beat=False, **args)
            else:
                await own.do(verb, within_s=MINUTE_S, **args)

    async def _of_run(self, client: BenchClient, verb: str) -> None:
        run = (await client.kept("procedure") or {}).get("run")
        if run is not None:
            await client.command(verb, beat=verb == "resume", run=run)

    async def _pause(self, client: BenchClient) -> None:
        await self._of_run(client, "pause")

    async def _resume(self, client: BenchClient) -> None:
        await self._of_run(client, "resume")

    async def _abort(self, client: BenchClient) -> None:
        await self._of_run(client, "abort")

    async def _typed(
        self, client: BenchClient, verb: str, after_s: float, args: dict[str, Any], beat: bool = True
    ) -> None:
        """What was typed some time ago, with the beat of then or none, and is sent only now."""
        drawn = {"beat": (await client.kept("beat"))["beat"]} if beat else {}
        await asyncio.sleep(after_s)
        ident = f"typed-{round(asyncio.get_running_loop().time() * 1000)}"
        request = {"id": ident, **drawn, "args": args}
        await client._publish(client.topics.command(self.name, verb), json.dumps(request).encode())

    async def _trouble(self, do: str, args: dict[str, Any]) -> None:
        raw = None if self._client is None else _raw(self._client)
        if raw is None:
            return
        if do == "drop":
            raw.cut()
        else:
            raw.stall(True)
            await asyncio.sleep(float(args.get("for_s", 2.0)))
            raw.stall(False)


class Careless(Technician):
    """Answers as if all was done; what the question named `forgets` asks for is not. `None` is one who does it all."""

    def __init__(self, lab: Lab, client: BenchClient, forgets: str | None) -> None:
        super().__init__(lab, client, lambda _: None)
        self._forgets = forgets

    def obey(self, procedure: str, ask: dict[str, Any], inputs: dict[str, Any]) -> Any:
        """See Technician; here somebody else may have taken everything off the bench meanwhile."""
        if ask["name"] == self._forgets:
            return True
        if procedure == "next_lens" and ask["name"] in ("seated", "seat_anew"):
            self._do("set", "indicator", "away")
            self.fit(inputs["adapters"], inputs["glass"], inputs["lens"])
            self._do("set", "ring", "infinity")
        return super().obey(procedure, ask, inputs)


def _raw(client: BenchClient) -> MemoryClient | None:
    found = getattr(client, "_client", None)
    return found if isinstance(found, MemoryClient) else None
