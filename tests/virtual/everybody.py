"""Acts out a schedule: each step as a task of its own, so that a slow one holds nothing up.

A named error is an answer like any other, and what the world refuses a hand is so; a step that makes no sense is told.
"""

from __future__ import annotations

import asyncio
from typing import Any

import aiomqtt

from benchd.errors import BenchdError
from stack import StackFailed
from technician import RunEnded
from tests.virtual.lab import Lab
from tests.virtual.moments import Moments
from tests.virtual.people import Person
from tests.virtual.schedule import Step
from tests.virtual.stranger import Stranger
from tests.virtual.witness import Witness


class Everybody:
    """Acts out steps; `client_errors` holds what was no named error."""

    def __init__(self, lab: Lab, witness: Witness, moments: Moments) -> None:
        self._lab, self._witness, self._moments = lab, witness, moments
        self._people: dict[str, Person] = {}
        self.stranger = Stranger(lab)
        self.client_errors: list[str] = []

    async def act(self, step: Step) -> None:
        """One step, from its beginning to its end, whatever comes of it."""
        args = dict(step.args)
        when, nth, later_s = args.pop("when", None), args.pop("nth", 1), args.pop("later_s", 0.0)
        if when is not None:
            if not await self._moments.come(when, nth):
                return
            await asyncio.sleep(later_s)
        self._witness.step(step)
        try:
            await self._act(step.who, step.do, args)
            self._witness.carried_out(step)
        except (BenchdError, StackFailed, RunEnded, TimeoutError, aiomqtt.MqttError):
            pass
        except Exception as error:  # noqa: BLE001 - is told as a broken rule
            self.client_errors.append(f"{step}: {type(error).__name__}: {error}")

    async def _act(self, who: str, do: str, args: dict[str, Any]) -> None:
        lab = self._lab
        match who:
            case "stranger":
                await self.stranger.act(do, args)
            case "hand" if do == "rearm":
                await lab.rearm()
            case "hand":
                lab.hand(do, **args)
            case "board" | "counter" | "indicator" | "inputs" | "camera" | "world":
                await self._break(who, do, args)
            case "broker":
                await self._broker(do, args)
            case "daemon":
                await self._daemon(do, args)
            case "disk":
                self._disk(do, args)
            case "worker":
                lab.worker.deaths += int(args.get("n", 1))
            case "machine":
                lab.hold_up(float(args["for_s"]))
            case "clock":
                lab.loop.step_utc(float(args["by_s"]))
            case name:
                if name not in self._people:
                    self._people[name] = Person(lab, name)
                await self._people[name].act(do, args)

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

    async def _break(self, who: str, do: str, args: dict[str, Any]) -> None:
        """Raises ValueError where there is no such fault: the schedule is wrong, and nothing refused it."""
        try:
            await self._lab.fault(who, do, **args)
        except StackFailed as refused:
            raise ValueError(str(refused)) from None

    def _disk(self, do: str, args: dict[str, Any]) -> None:
        match do:
            case "slow":
                self._lab.disk.slow_s = float(args["s"])
            case "full":
                self._lab.disk.fill(int(args.get("spare", 0)))
            case _:
                self._lab.disk.clear()

    async def _daemon(self, do: str, args: dict[str, Any]) -> None:
        self._lab.down = True
        try:
            match do:
                case "kill":
                    await self._lab.kill_daemon()
                case _:
                    await self._lab.end_daemon()
            await asyncio.sleep(float(args.get("down_s", 0.0)))
        finally:
            self._lab.down = False
        await self._lab.start_daemon()

    async def leave(self) -> None:
        """Everybody lets go."""
        for person in self._people.values():
            await person.away()
