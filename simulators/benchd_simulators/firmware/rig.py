"""Everything that stands on the simulated bench, plugged in: built, listening, faulted and put away in order."""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, ClassVar, Protocol

from benchd_simulators.firmware.board import Board
from benchd_simulators.firmware.camera import NetworkCamera
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.line_device import (
    LineDevice,
    counter_answers,
    dial_answers,
    diode_answers,
    indicator_answers,
    inputs_answers,
    reference_answers,
    room_answers,
)
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.port import Port
from benchd_simulators.firmware.wire import COUNTED, TIMED, FaultRefused, Wire

SERIAL = ("board", "counter", "dial", "indicator", "inputs", "diode", "reference", "room")
BOARD_FAULTS = ("reset", "power_up", "open_door", "shut_door", "stuck_status", "reset_on_open", "identity", "factory")
BUILDS = ("native", "origin_at_switch", "pwm", "homing_reports")
"""Of the board: how it hangs on its line, and what it was built with."""
FRAME_S = 0.001
"""A full-speed USB frame: what is written within one arrives together."""
ENDLESS_BAUD = 10**9


class SerialPort(Protocol):
    """What a cable ends in; `Port` has the words for it."""

    link: Path

    def __init__(self, link: Path, received: Callable[[bytes], None], opened: Callable[[], None]) -> None: ...
    @property
    def in_use(self) -> bool: ...
    @property
    def baud(self) -> int: ...
    def plug(self) -> str: ...
    def unplug(self) -> None: ...
    def deafen(self, deaf: bool) -> None: ...
    def write(self, data: bytes) -> None: ...


MakePort = Callable[[Path, Callable[[bytes], None], Callable[[], None]], SerialPort]


class Cable:
    """One serial device: port, wire, and what hangs on its end."""

    def __init__(self, link: Path, journal: Journal, *, seed: int, port: MakePort = Port) -> None:
        self.feed: Callable[[bytes], None] = lambda data: None
        self.on_open: Callable[[], None] = lambda: None
        self._name, self._journal = link.name, journal
        self._replug: asyncio.TimerHandle | None = None
        self._frame: list[bytes] = []
        self.native = False
        self.port = port(link, self._from_host, self._opened)
        self.wire = Wire(self._baud, self._to_host, self._to_device, stall=self.port.deafen, seed=seed)

    def _from_host(self, data: bytes) -> None:
        self._journal.note(self._name, "in", data)
        self.wire.receive(data)

    def _to_host(self, data: bytes) -> None:
        self._journal.note(self._name, "out", data)
        self.port.write(data)

    def _baud(self) -> int:
        return ENDLESS_BAUD if self.native else self.port.baud

    def _to_device(self, data: bytes) -> None:
        """Over a line paced by its baud rate a device has long looked at each byte when the next one comes; over USB
        of its own it finds what came within a frame together."""
        if self.native:
            if not self._frame:
                asyncio.get_running_loop().call_later(FRAME_S, self._framed)
            self._frame.append(data)
        else:
            for byte in data:
                self.feed(bytes((byte,)))

    def _framed(self) -> None:
        data = b"".join(self._frame)
        self._frame.clear()
        if data:
            self.feed(data)

    def _opened(self) -> None:
        self.on_open()

    def say(self, line: str) -> None:
        """A line towards the host."""
        self.send(line.encode("ascii") + b"\r\n")

    def send(self, data: bytes) -> None:
        """Towards the host; lost where nobody has the port open as it begins."""
        if self.port.in_use:
            self.wire.send(data)

    def unplug(self, for_s: float | None = None) -> None:
        """Pull the plug, and put it back after `for_s`."""
        if self._replug is not None:
            self._replug.cancel()
            self._replug = None
        self.port.unplug()
        if for_s is not None:
            self._replug = asyncio.get_running_loop().call_later(for_s, self.port.plug)
        self.wire.out.clear()
        self.wire.into.clear()
        self._frame.clear()


class Rig:
    """The hardware of one bench, reachable under `folder`; `port` and `network_camera` are what stands there."""

    port: ClassVar[type[SerialPort]] = Port
    network_camera: ClassVar[type[NetworkCamera]] = NetworkCamera

    def __init__(
        self,
        machine: Machine,
        folder: Path,
        *,
        pace: float,
        identity: str,
        seed: int = 0,
        journal: Journal | None = None,
        native: bool = False,
    ) -> None:
        self.machine = machine
        journal = journal or Journal(None)
        away = {
            "counter": not machine.has_encoder,
            "dial": not machine.has_dial,
            "diode": not machine.has_photodiode,
            "reference": not machine.has_reference,
            "room": machine.room_meters is None,
        }
        stand = [name for name in SERIAL if not away.get(name)]
        self.cables = {name: Cable(folder / name, journal, seed=seed, port=type(self).port) for name in stand}
        self.board = Board(machine, self.cables["board"].say, pace=pace, identity=identity)
        self.cables["board"].feed = self.board.feed
        self.cables["board"].native = native
        self._reset_on_open(machine.resets_on_open)
        lines = {
            "counter": counter_answers, "dial": dial_answers, "indicator": indicator_answers, "inputs": inputs_answers,
            "diode": diode_answers, "reference": reference_answers,
            "room": room_answers,
        }  # fmt: skip
        for name in lines.keys() & self.cables.keys():
            self.cables[name].feed = LineDevice(lines[name](machine), self.cables[name].say).feed
        self.camera = self.network_camera(machine, journal, pace=pace)

    async def plug(self, camera_port: int) -> dict[str, str]:
        """Open every port. Returns where each is reached. Raises OSError; `unplug` is then still needed."""
        where = {}
        for name, cable in self.cables.items():
            cable.port.plug()
            where[name] = str(cable.port.link)
        await self.camera.plug(camera_port)
        where["camera"] = f"http://127.0.0.1:{self.camera.port}/frame.png"
        where["camera_settings"] = f"http://127.0.0.1:{self.camera.port}/settings"
        where["camera_stream"] = f"http://127.0.0.1:{self.camera.port}/stream"
        self.board.power_up()
        return where

    async def unplug(self) -> None:
        """Everything out; idempotent."""
        for cable in self.cables.values():
            cable.wire.clear()
            cable.unplug()
        await self.camera.close()

    async def fault(self, who: str, what: str, args: Mapping[str, Any]) -> None:
        """Bring about a fault. Raises FaultRefused with a sentence."""
        if who == "camera":
            if what == "unplug":
                await self.camera.unplug()
            elif what == "plug":
                await self.camera.plug()
            else:
                self.camera.fault(what, args)
        elif who == "world":
            self._world_fault(what, args)
        elif who in self.cables:
            self._cable_fault(who, what, args)
        else:
            raise FaultRefused(f"There is no {who!r}; there are {', '.join(self.cables)}, camera, world.")

    def _world_fault(self, what: str, args: Mapping[str, Any]) -> None:
        try:
            self.machine.fault(what, args.get("value", True))
        except ValueError as refused:  # the world's own sentence
            raise FaultRefused(str(refused)) from refused

    def _cable_fault(self, who: str, what: str, args: Mapping[str, Any]) -> None:
        cable = self.cables[who]
        if what == "unplug":
            cable.unplug(float(args["s"]) if "s" in args else None)
        elif what == "plug":
            cable.port.plug()
        elif who == "board" and what in BOARD_FAULTS:
            self._board_fault(what, args.get("value", True))
        elif who == "board" and what in BUILDS:
            self._build(what, bool(args.get("value", True)))
        elif cable.wire.fault(what, args):
            if what == "clear" and who == "board":
                self._board_fault("stuck_status", False)
                self._reset_on_open(self.machine.resets_on_open)
        else:
            known = ("unplug", "plug", "clear", *COUNTED, *TIMED, *(BOARD_FAULTS + BUILDS if who == "board" else ()))
            raise FaultRefused(f"The {who} has no fault {what!r}; it has {', '.join(known)}.")

    def _build(self, what: str, on: bool) -> None:
        if what == "native":
            self.cables["board"].native = on
        else:
            setattr(self.board.build, what, on)

    def _reset_on_open(self, on: bool) -> None:
        self.cables["board"].on_open = self.board.reset_by_port if on else lambda: None

    def _board_fault(self, what: str, value: object) -> None:
        board = self.board
        match what:
            case "reset":
                board.soft_reset()
            case "power_up":
                board.power_up()
            case "open_door":
                board.open_door()
            case "shut_door":
                board.shut_door()
            case "stuck_status":
                board.stuck_report = bool(value)
            case "reset_on_open":
                self._reset_on_open(bool(value))
            case "factory":
                board.state.settings.restore()
            case "identity":
                board.state.identity = str(value)


def write_json(path: Path, document: Mapping[str, Any]) -> None:
    """Write whole or not at all."""
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    fresh.write_text(json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    fresh.replace(path)
