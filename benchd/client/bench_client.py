"""`BenchClient`: one bench, its published state, and commands that return or raise."""

from __future__ import annotations

import asyncio
import json
import logging
import math
import secrets
from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import aiomqtt

from benchd.client.dial import dial, find_bench, where
from benchd.client.heard import Heard
from benchd.client.holding import Holding
from benchd.client.outcome import Limit, failure_of, goes_on, result_of
from benchd.client.watch import Watch
from benchd.devices.clock import now_s
from benchd.errors import BenchdError, Refused
from benchd.files.broker_account import Account
from benchd.mqtt.connection import Version, subscribe
from benchd.mqtt.topics import Topics

_log = logging.getLogger(__name__)
OLD_BEAT_S = 1.5
"""A beat comes every second: if the last is older than this, as after a delay of the caller, a new one is awaited."""
STOP_ANSWER_S = 3.0
"""How long a command waits for the answer to a stop that was sent before it."""
MOST_CUTS = 3
"""How often a connection may fail before a command was sent over it: the embedded broker sometimes closes, or does not
answer, a client that connects at the moment another one disconnects."""
ENDED = ("done", "failed", "aborted")
"""The states in which a run of a procedure ends."""


class BenchClient:
    """`async with BenchClient(host_or_url, port, bench=..., user=...) as bench:`

    A broker with accounts is given `password` as that of `user`, over TLS (`mqtts://host`) or on this machine alone;
    `ca_file` holds the certificates of its authority.

    The bench is found by itself when it is the only one on line. Every call raises BenchdError (timeout) when the
    connection is lost or no answer comes; a refusal is raised as Refused with the code of the contract.
    """

    def __init__(
        self,
        host_or_url: str = "127.0.0.1",
        port: int | None = None,
        *,
        bench: str | None = None,
        user: str = "program",
        version: Version | None = None,
        answer_within_s: float = 10.0,
        password: str | None = None,
        ca_file: Path | None = None,
    ) -> None:
        account = Account(None if password is None else user, password, ca_file)
        self._at = where(host_or_url, port, account)
        self._name = bench
        self.user = user
        self._version = version
        self._answer_within_s = answer_within_s
        self.asked: str | None = None
        """The verb of the last command."""
        self._stack = AsyncExitStack()
        self._heard = Heard()
        self._waiting: dict[str, asyncio.Future[dict[str, Any]]] = {}
        self._stopping: dict[str, asyncio.Future[dict[str, Any]]] = {}
        self._stop_answered_s = -math.inf
        self._stops = 0
        self._repeated: dict[str, dict[str, Any]] = {}

    async def __aenter__(self) -> Self:
        cut = 0
        while True:
            try:
                return await self._connected()
            except aiomqtt.MqttError as error:
                cut += 1
                if cut == MOST_CUTS:
                    raise BenchdError("timeout", f"The broker at {self._at} went away: {error}.") from error

    async def _connected(self) -> Self:
        async with AsyncExitStack() as stack:
            self._client, self._at = await dial(stack, self._at, self._version)
            self.topics = Topics(self._name or await find_bench(self._client))
            for topic in self.topics.kept_topics:
                await subscribe(self._client, self._at, topic)
            await subscribe(self._client, self._at, self.topics.reply(self.user), qos=1)
            reader = asyncio.create_task(self._read(), name="bench-client")
            stack.push_async_callback(_end, reader)
            self._stack = stack.pop_all()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._stack.aclose()
        self._break(BenchdError("timeout", "The client was closed."))

    @property
    def bench(self) -> str:
        """The name of the bench."""
        return self.topics.bench

    # --- looking

    async def kept(self, topic: str, *, within_s: float = 5.0) -> Any:
        """The kept document of `topic` (such as `device/carriage`); waits for it if it was not received yet."""
        async with Limit(within_s, f"`{topic}` is not told by the bench"):
            while topic not in self._heard.kept:
                await self._heard.next_change()
        return self._heard.kept[topic]

    def state(self) -> dict[str, Any]:
        """All kept documents received so far, by topic."""
        return dict(self._heard.kept)

    def watch(self, wanted: str = "#", *, limit: int = 10_000) -> Watch:
        """Iterate over (topic, document) of the topics that match: first the kept ones, then new ones."""
        return self._heard.watch(wanted, limit)

    def events(self) -> Watch:
        """Iterate over ("event", document)."""
        return self.watch("event")

    # --- asking

    async def command(
        self, verb: str, *, beat: bool = True, at_once: bool = False, ident: str | None = None, **args: Any
    ) -> dict[str, Any]:
        """Send a command, and give the result of the reply. Raises Refused, or BenchdError (timeout, device_fault).

        `beat` sends the latest beat along, waiting for one if necessary; after a `stop` by this client, which voids the
        beats before it, for one issued after it. A stop meanwhile makes the bench refuse this (`stale`); so does a stop
        by another user until a newer beat is received. `at_once`: where no beat is at hand it is not sent, since nobody
        means it any more once there is one. After a timeout it is not known whether the command was carried
        out; sending it again with the same `ident` is safe.
        """
        ident = ident or secrets.token_hex(6)
        request: dict[str, Any] = {"id": ident, "args": args}
        if beat:
            stops = self._stops
            request["beat"] = self._beat_at_hand() if at_once else await self._fresh_beat()
            if (
                self._stops != stops
            ):  # the beat may be newer than that stop, although this command was requested before it
                raise Refused(
                    "stale",
                    f"A stop came after `{verb}` was asked for; it was not sent.",
                    advice="Where it is still wanted, ask again.",
                    data={"stopped": True},
                )
        answer = asyncio.get_running_loop().create_future()
        self._waiting[ident] = answer
        try:
            if self._heard.broken is not None:
                raise self._heard.broken
            self.asked = verb
            async with Limit(self._answer_within_s, f"no answer to `{verb}`: whether it was carried out is unknown"):
                await self._publish(self.topics.command(self.user, verb), json.dumps(request, allow_nan=False).encode())
                reply = await answer
        except BenchdError:
            # A repeated delivery is answered as a duplicate, perhaps while the first is at work: only the last word.
            if ident not in self._repeated:
                raise
            reply = self._repeated[ident]
        finally:
            self._waiting.pop(ident, None)
            self._repeated.pop(ident, None)
        return result_of(reply)

    async def do(self, verb: str, *, within_s: float | None = None, **args: Any) -> dict[str, Any]:
        """Send a command, and wait for the event of its end; gives that event's data. What is done once it is answered
        (`setup` without `follow`, `read`) has no such event: then the result of the reply.

        A sweep may ask a question before it begins (`kept("procedure")["ask"]`), and waits for the answer.

        Raises as `command`, BenchdError with the event's code if it failed, BrokenOff if a user stopped it.
        """
        ident = secrets.token_hex(6)
        events = self.events()
        result = await self.command(verb, ident=ident, **args)
        if not goes_on(verb, args):
            return result
        async with Limit(within_s, f"`{verb}` has not ended"):
            return await self.end_of(ident, events)

    async def end_of(self, ident: str, events: AsyncIterator[tuple[str, Any]]) -> dict[str, Any]:
        """Wait for the event of a command's end among `events`, watched since before it was sent; gives its data.

        Raises BenchdError with the event's code if it failed, BrokenOff if a user stopped it.
        """
        async for _, event in events:
            if not isinstance(event, dict) or event.get("cause") != ident:
                continue
            if event.get("code") == "done":
                return dict(event.get("data") or {})
            if event.get("severity") in ("warning", "error"):
                raise failure_of(event)
        raise AssertionError("a watch does not end by itself")

    def holding(self, axis: str = "carriage", *, speed_um_s: float) -> Holding:
        """The axis moves at this speed, signed, as long as an `async with` block lasts; see `Holding`."""
        return Holding(self, axis, speed_um_s)

    async def stop(self, axis: str | None = None) -> None:
        """Stop everything that moves, named or not: returns when the broker has it. Needs neither control nor beat."""
        self._stops += 1
        ident = secrets.token_hex(6)
        request = {"id": ident, "args": {} if axis is None else {"axis": axis}}
        self._stopping[ident] = asyncio.get_running_loop().create_future()
        try:
            async with Limit(self._answer_within_s, "the broker did not take the stop"):
                await self._publish(self.topics.command(self.user, "stop"), json.dumps(request).encode())
        except BaseException:
            self._stopping.pop(ident, None)
            raise

    async def stop_answered(self) -> None:
        """Return once the bench has answered the last stop, and no command since, that all stands. Raises BenchdError
        where it did not within `STOP_ANSWER_S`, or answers that something may still move."""
        async with Limit(STOP_ANSWER_S, "the bench gave no answer to the stop"):
            reply = await asyncio.shield(list(self._stopping.values())[-1])
        if self._heard.broken is not None:
            raise self._heard.broken
        if not reply.get("ok"):
            raise failure_of(reply.get("error") or {})

    async def run(self, procedure: str, inputs: Mapping[str, Any] | None = None) -> str:
        """Start a procedure; gives its run, such as `r-0192`."""
        return str((await self.command("run", procedure=procedure, inputs=dict(inputs or {})))["run"])

    async def follow(self, run: str) -> AsyncIterator[dict[str, Any]]:
        """Each published state of the run, including the last one (done, failed, aborted)."""
        seen = False
        async for _, state in self.watch("procedure"):
            if not isinstance(state, dict) or state.get("run") != run:
                if seen:
                    return
                continue
            seen = True
            yield state
            if state.get("state") in ENDED:
                return

    async def answer(self, ask: str, value: Any) -> dict[str, Any]:
        """Answer a question of a run; the first valid answer counts."""
        return await self.command("answer", beat=False, ask=ask, value=value)

    # --- within

    async def _fresh_beat(self) -> str:
        """The latest beat, if recent; after stops by this client, one issued after them.

        A beat received while the bench is not on line (yet) is of its last start: a broker may have kept it.
        """
        if self._stopping:
            stops = list(self._stopping.items())
            done, _ = await asyncio.wait([answer for _, answer in stops], timeout=STOP_ANSWER_S)
            for ident, answer in stops:
                self._stopping.pop(ident, None)
                beat = (answer.result().get("result") or {}).get("beat") if answer in done else None
                # A beat received long ago is too old by now; the newer ones were issued after the stop as well.
                if beat is not None and now_s() - self._stop_answered_s < OLD_BEAT_S:
                    self._heard.put("beat", {"beat": beat})
        async with Limit(5.0, "the bench is not on line, or tells no `beat`"):
            while not self._hears_beats:
                await self._heard.next_change()
        return str(self._heard.kept["beat"]["beat"])

    @property
    def _hears_beats(self) -> bool:
        return self._heard.kept.get("online") is True and now_s() - self._heard.beat_heard_s <= OLD_BEAT_S

    def _beat_at_hand(self) -> str:
        """The same without waiting. Raises BenchdError('timeout') where there is none."""
        if self._stopping or not self._hears_beats:
            raise BenchdError("timeout", "No beat was heard lately: it was not sent.")
        return str(self._heard.kept["beat"]["beat"])

    async def _publish(self, topic: str, payload: bytes) -> None:
        try:
            await self._client.publish(topic, payload, qos=1, timeout=self._answer_within_s)
        except aiomqtt.MqttError as error:
            raise BenchdError("timeout", f"The connection to the broker is lost ({error}).") from error

    async def _read(self) -> None:
        try:
            async for message in self._client.messages:
                below = self.topics.below(str(message.topic))
                if below is not None:
                    self._hear(below, bytes(message.payload))
        except aiomqtt.MqttError as error:
            self._break(BenchdError("timeout", f"The connection to the broker is lost ({error})."))

    def _hear(self, topic: str, payload: bytes) -> None:
        try:
            document = json.loads(payload) if payload else None
        except ValueError:
            _log.warning("%s carries what is no JSON", topic)
            return
        if topic.startswith("reply/"):
            self._take_reply(document)
        else:
            self._heard.hear(topic, document, taken_back=not payload)

    def _take_reply(self, reply: Any) -> None:
        if not isinstance(reply, dict):
            return
        ident = str(reply.get("id"))
        waiting = self._waiting.get(ident) or self._stopping.get(ident)
        if waiting is None or waiting.done():
            return
        if not reply.get("ok") and (reply.get("error") or {}).get("code") == "duplicate":
            self._repeated[ident] = reply
            return
        if ident in self._stopping:
            self._stop_answered_s = now_s()
        waiting.set_result(reply)

    def _break(self, error: BenchdError) -> None:
        error = self._heard.end(error)
        for waiting in self._waiting.values():
            if not waiting.done():
                waiting.set_exception(error)
        for answer in self._stopping.values():
            if not answer.done():
                answer.set_result({})


async def _end(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait({task})
