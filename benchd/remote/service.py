"""MQTT service of one bench: broker, checks of commands, connections, and the address file."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchd.bench.bench import Bench
from benchd.broker.config import Ports
from benchd.broker.embedded import EmbeddedBroker
from benchd.broker.watchdog import Watchdog
from benchd.commands.beat import Beat, publish_beat
from benchd.commands.control import Control, Roles
from benchd.commands.events import LimitedEvents
from benchd.commands.ids import SeenIds
from benchd.commands.intake import Intake, make_handlers
from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.files.mqtt_section import Mqtt
from benchd.files.run_folder import run_folder
from benchd.mqtt.connection import Endpoint, endpoint_of
from benchd.mqtt.keep_connected import Outages
from benchd.mqtt.retained import RetainedMessages
from benchd.mqtt.topics import Topics
from benchd.parts import Parts
from benchd.procedures.runner import Runner
from benchd.remote.address_file import AddressFile
from benchd.remote.main_connection import Connection
from benchd.remote.stop_connection import StopConnection
from benchd.verbs.stop import StopArgs

CONNECT_WITHIN_S = 15.0


class MqttService:
    """One bench on MQTT. `file` is the bench file, `ports_file` a further path for the address file.

    `messages` are sentences for a person about the broker; `endpoint` is None until `start` has returned.
    """

    def __init__(
        self,
        bench: Bench,
        runner: Runner,
        roles: Roles,
        beat: Beat,
        parts: Parts,
        *,
        file: Path,
        ports_file: Path | None,
    ) -> None:
        self._bench = bench
        self._runner = runner
        self._roles = roles
        self._beat = beat
        self._parts = parts
        self._clock = bench.clock
        self._file = file
        self._ports_file = ports_file
        self._address_file: AddressFile | None = None
        self.messages: list[str] = []
        self.endpoint: Endpoint | None = None
        self.listeners: dict[str, int] = {}

    @property
    def bench(self) -> str:
        """The name of the bench."""
        return self._bench.file.bench

    async def start(self, stack: contextlib.AsyncExitStack) -> None:
        """Serve until `stack` is closed. Raises BenchdError (timeout) if no broker answers."""
        bench, runner, clock = self._bench, self._runner, self._clock
        endpoint = await self._broker(stack)
        topics = Topics(self.bench)
        events = LimitedEvents(bench.events, clock)
        control = Control(clock, self._roles, bench.notices, run_of=lambda: runner.user)
        intake = Intake(
            make_handlers(bench, runner, control),
            control=control,
            roles=self._roles,
            beat=self._beat,
            ids=SeenIds(clock),
            events=events,
        )
        retained, outages = RetainedMessages(topics), Outages(clock)

        async def on_stop(user: str, args: StopArgs) -> dict[str, Any]:
            await runner.stop(user)
            publish_beat(self._beat, bench.notices)
            return {"beat": self._beat.current}

        common: dict[str, Any] = {
            "topics": topics, "events": events, "retained": retained, "outages": outages, "clock": clock,
        }  # fmt: skip
        stop_connection = StopConnection(endpoint, on_stop, **common)
        connection = Connection(endpoint, intake=intake, notices=bench.notices, **common)
        await stack.enter_async_context(self._parts.running(connection.run(), "mqtt"))
        await stack.enter_async_context(self._parts.running(stop_connection.run(), "mqtt-stop"))
        await stack.enter_async_context(self._parts.running(_every_second(control.tell, clock), "control"))
        try:
            async with asyncio.timeout(CONNECT_WITHIN_S):
                await asyncio.gather(connection.ready.wait(), stop_connection.ready.wait())
        except TimeoutError:
            raise BenchdError(
                "timeout",
                f"No MQTT broker answered at {endpoint()} within {CONNECT_WITHIN_S:g} s ({outages.reason}).",
                advice="Start it, look at the account, or write `broker: embedded` under `mqtt` in the bench file.",
            ) from None
        self.endpoint = endpoint()
        files = [run_folder() / f"{self.bench}.json", *([self._ports_file] if self._ports_file else [])]
        self._address_file = stack.enter_context(AddressFile(files))
        self._write_address()

    async def _broker(self, stack: contextlib.AsyncExitStack) -> Callable[[], Endpoint]:
        mqtt = self._bench.file.mqtt
        if mqtt.broker != "embedded":
            external = endpoint_of(mqtt.broker, self._bench.loaded.broker_account())
            self.messages = _external_broker_messages(mqtt, external)
            return lambda: external
        embedded = EmbeddedBroker(self._clock, child=mqtt.child, ports=Ports(*mqtt.ports))
        broker = await stack.enter_async_context(embedded)
        self.messages = broker.messages
        self.listeners = broker.ports.by_name()

        def restarted(reason: str) -> None:
            self._bench.events.tell("broker", f"The broker was restarted: {reason}.", severity="warning")
            self.listeners = broker.ports.by_name()
            if self.endpoint is not None:
                self.endpoint = broker.endpoint  # a port that another program took meanwhile was replaced
                self._write_address()

        await stack.enter_async_context(self._parts.running(Watchdog(broker, self._clock, restarted).run(), "watchdog"))
        return lambda: broker.endpoint

    def _write_address(self) -> None:
        if self._address_file is not None and self.endpoint is not None:
            self._address_file.write(self.bench, self._file, self._bench.store.path, self.endpoint, self.listeners)


def _external_broker_messages(mqtt: Mqtt, at: Endpoint) -> list[str]:
    """Sentences for a person who connects a bench to a broker that others share."""
    account = f" as {at.account.user}" if at.account.user else ", without an account"
    messages = [f"Broker at {at}{account}: MQTT 5."]
    if mqtt.users is None:
        messages.append(
            "Every name is believed there and may do everything: state `users` under `mqtt` in the bench file."
        )
    else:
        messages.append(
            "Names are believed as the broker tells them: its access list must pin each account to its name."
        )
    return messages


async def _every_second(work: Callable[[], None], clock: Clock) -> None:
    while True:
        work()
        await clock.sleep(1.0)
