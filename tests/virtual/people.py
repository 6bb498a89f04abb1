"""Who acts on a bench: people with clients, a stranger with raw messages, the hand, and whatever breaks.

Each step runs as a task of its own, so that a slow one holds nothing up. A named error is an answer like any other.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from typing import Any

import aiomqtt

from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from stack import StackFailed
from technician import RunEnded, Technician
from tests.virtual.ends.broker_connection import MemoryClient
from tests.virtual.ends.broker_end import BROKERS, Published
from tests.virtual.lab import Lab
from tests.virtual.schedule import Step
from tests.virtual.witness import BENCH, Witness

MINUTE_S = 60.0
REPEATABLE = 200


class Person:
    """A user with a client that connects again when it is lost."""

    def __init__(self, lab: Lab, name: str) -> None:
        self._lab = lab
        self.name = name
        self._stack = AsyncExitStack()
        self._client: BenchClient | None = None
        self._last_ask: dict[str, Any] | None = None
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
        own: Callable[..., Awaitable[None]] | None = getattr(self, f"_{do}", None)
        if own is not None:
            await own(client, **args)
        else:
            await client.command(do, beat=do not in ("take", "release", "light", "read", "note"), **args)

    async def _stop(self, client: BenchClient) -> None:
        await client.stop()

    async def _check(self, client: BenchClient, **given: Any) -> None:
        """Fit a lens, and run its check to the end, its questions answered."""
        technician = Technician(self._lab, client, lambda _: None)
        async with asyncio.timeout(10 * MINUTE_S):
            await technician.check("L-0417", ["ring-07"], [], repeats=int(given.get("repeats", 3)))

    async def _calibrate(self, client: BenchClient) -> None:
        technician = Technician(self._lab, client, lambda _: None)
        async with asyncio.timeout(10 * MINUTE_S):
            await technician.calibrate(["ring-07"])

    async def _answer(self, client: BenchClient, value: Any = True, late: bool = False) -> None:
        """The question that stands; `late`: the one that stood when this person answered last."""
        ask = (await client.kept("procedure") or {}).get("ask")
        if late:
            ask = self._last_ask
        self._last_ask = ask or self._last_ask
        if ask is not None:
            await client.answer(ask["ask"], value)

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

    async def _typed(self, client: BenchClient, verb: str, after_s: float, args: dict[str, Any]) -> None:
        """What was typed some time ago, with the beat of then, and is sent only now."""
        beat = (await client.kept("beat"))["beat"]
        await asyncio.sleep(after_s)
        ident = f"typed-{round(asyncio.get_running_loop().time() * 1000)}"
        request = {"id": ident, "beat": beat, "args": args}
        await client._publish(client.topics.command(self.name, verb), json.dumps(request).encode())

    async def _trouble(self, do: str, args: dict[str, Any]) -> None:
        raw = self._raw()
        if raw is None:
            return
        if do == "drop":
            raw.cut()
        else:
            raw.stall(True)
            await asyncio.sleep(float(args.get("for_s", 2.0)))
            raw.stall(False)

    def _raw(self) -> MemoryClient | None:
        found = getattr(self._client, "_client", None) if self._client is not None else None
        return found if isinstance(found, MemoryClient) else None


class Stranger:
    """Raw messages: stops, nonsense, what was said before, what ought not to be retained."""

    def __init__(self, lab: Lab) -> None:
        self._lab = lab
        self._heard: deque[Published] = deque(maxlen=REPEATABLE)

    def hear(self, message: Published) -> None:
        """Keep commands for later."""
        if message.topic.startswith(f"{BENCH}command/") and not message.sender.startswith("stranger"):
            self._heard.append(message)

    async def act(self, do: str, args: dict[str, Any]) -> None:
        """Raises aiomqtt.MqttError."""
        broker = BROKERS.get(self._lab.broker_at)
        if broker is None:
            return
        client = MemoryClient(broker, f"stranger-{len(self._heard)}", None, 10)
        broker.clients.append(client)
        try:
            match do:
                case "stop":
                    await client.publish(f"{BENCH}command/stranger/stop", str(args.get("payload", "")), qos=1)
                case "repeat" if self._heard:
                    kept = self._heard[-1 - int(args.get("back", 0)) % len(self._heard)]
                    await client.publish(kept.topic, kept.payload, qos=1)
                case "retain" if self._heard:
                    kept = self._heard[-1 - int(args.get("back", 0)) % len(self._heard)]
                    await client.publish(kept.topic, kept.payload, qos=1, retain=True)
                case "repeat" | "retain":
                    pass  # nothing was said yet
                case "nonsense":
                    topic = str(args.get("topic", "command/stranger/move"))
                    await client.publish(BENCH + topic, str(args.get("payload", "{")), qos=1)
                case _:
                    raise ValueError(f"no stranger does '{do}'")
        finally:
            await client.close()


class Everybody:
    """Acts out steps; `client_errors` holds what was no named error."""

    def __init__(self, lab: Lab, witness: Witness) -> None:
        self._lab, self._witness = lab, witness
        self._people: dict[str, Person] = {}
        self.stranger = Stranger(lab)
        self.client_errors: list[str] = []

    async def act(self, step: Step) -> None:
        """One step, from its beginning to its end, whatever comes of it."""
        self._witness.step(step)
        try:
            await self._act(step)
            self._witness.carried_out(step)
        except (BenchdError, StackFailed, RunEnded, TimeoutError, aiomqtt.MqttError):
            pass
        except Exception as error:  # noqa: BLE001 - is told as a broken rule
            self.client_errors.append(f"{step}: {type(error).__name__}: {error}")

    async def _act(self, step: Step) -> None:
        lab, args = self._lab, step.args
        match step.who:
            case "stranger":
                await self.stranger.act(step.do, args)
            case "hand":
                lab.hand(step.do, **args)
            case "board" | "counter" | "indicator" | "camera" | "world":
                await lab.fault(step.who, step.do, **args)
            case "broker":
                await self._broker(step.do, args)
            case "daemon":
                await self._daemon(step.do)
            case "clock":
                lab.loop.step_utc(float(args["by_s"]))
            case name:
                if name not in self._people:
                    self._people[name] = Person(lab, name)
                await self._people[name].act(step.do, dict(args))

    async def _broker(self, do: str, args: dict[str, Any]) -> None:
        broker = self._lab.broker
        match do:
            case "away":
                broker.stop(forget=bool(args.get("forget", False)))
                await asyncio.sleep(float(args.get("for_s", 2.0)))
                broker.start()
            case "twice":
                broker.twice += int(args.get("n", 1))
            case "stall":
                theirs = [client for client in broker.clients if client.of_the_daemon]
                for client in theirs:
                    client.stall(True)
                await asyncio.sleep(float(args.get("for_s", 2.0)))
                for client in theirs:
                    client.stall(False)
            case _:
                raise ValueError(f"no broker does '{do}'")

    async def _daemon(self, do: str) -> None:
        match do:
            case "kill":
                await self._lab.kill_daemon()
            case "restart":
                await self._lab.end_daemon()
            case _:
                raise ValueError(f"no daemon does '{do}'")
        await self._lab.start_daemon()

    async def leave(self) -> None:
        """Everybody lets go."""
        for person in self._people.values():
            await person.away()
