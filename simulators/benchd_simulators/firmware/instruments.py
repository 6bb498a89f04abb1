"""Two instruments beside the bench: a supply and a multimeter, each on a socket and on a serial line at once."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from benchd_simulators.firmware import hand
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.rig import Cable, write_json
from benchd_simulators.firmware.scpi import Instrument, Interface
from benchd_simulators.firmware.scpi_meter import IDENTITY as METER
from benchd_simulators.firmware.scpi_meter import Meter
from benchd_simulators.firmware.scpi_supply import IDENTITY as SUPPLY
from benchd_simulators.firmware.scpi_supply import Supply
from benchd_simulators.firmware.serve import PORTS
from benchd_simulators.firmware.socket_port import SocketPort
from benchd_simulators.firmware.wire import COUNTED, TIMED, FaultRefused

CABLES = ("supply", "supply_line", "meter", "meter_line")
OF_ANY = ("errors", "identity", "no_error", "power_up")
OF_SUPPLY = ("turn", "stuck", "trip")
OF_METER = ("signal",)


class Instruments:
    """Both, with their cables: `supply` and `meter` are sockets, `supply_line` and `meter_line` serial lines."""

    def __init__(
        self, folder: Path, *, supply_port: int = 0, meter_port: int = 0, seed: int = 0, journal: Journal | None = None
    ) -> None:
        journal = journal or Journal(None)
        self.supply, self.meter = Supply(), Meter()
        numbers = {"supply": supply_port, "meter": meter_port}
        self.cables: dict[str, Cable] = {}
        self._interfaces: dict[str, Interface] = {}
        for name in CABLES:
            port = {"port": partial(SocketPort, number=numbers[name])} if name in numbers else {}
            cable = Cable(folder / name, journal, seed=seed, **port)
            interface = Interface(self._of(name), cable.send)
            cable.feed, cable.on_open = interface.feed, interface.clear
            self.cables[name], self._interfaces[name] = cable, interface

    def _of(self, cable: str) -> Instrument:
        return self.supply.instrument if cable.startswith("supply") else self.meter.instrument

    def plug(self) -> dict[str, str]:
        """Returns the VISA resource by which each is reached. Raises OSError; `unplug` is then still needed."""
        where = {}
        for name, cable in self.cables.items():
            place = cable.port.plug()
            host, _, number = place.rpartition(":")
            on_a_line = name.endswith("_line")
            where[name] = f"ASRL{cable.port.link}::INSTR" if on_a_line else f"TCPIP::{host}::{number}::SOCKET"
        return where

    def unplug(self) -> None:
        """Everything out; idempotent."""
        for name, cable in self.cables.items():
            self._interfaces[name].clear()
            cable.wire.clear()
            cable.unplug()

    def look(self) -> dict[str, Any]:
        """What a person sees on the displays."""
        supply, meter = self.supply, self.meter
        return {
            "supply": {"on": supply.on, "volts": supply.volts, "amps": supply.amps, "flows_A": supply.flows_A()},
            "meter": {"function": meter.function, "range": meter.range, "auto": meter.auto, "periods": meter.periods},
        }

    def fault(self, who: str, what: str, args: Mapping[str, Any]) -> None:
        """Bring about a fault. Raises FaultRefused with a sentence."""
        cable = self.cables.get(who)
        if cable is None:
            raise FaultRefused(f"There is no {who!r}; there are {', '.join(self.cables)}.")
        if what == "unplug":
            self._interfaces[who].clear()
            cable.unplug(float(args["s"]) if "s" in args else None)
        elif what == "plug":
            cable.port.plug()
        elif what in OF_ANY:
            self._of_any(self._of(who), what, args)
        elif who.startswith("supply") and what in OF_SUPPLY:
            self._of_supply(what, args)
        elif who.startswith("meter") and what in OF_METER:
            value = args.get("value")
            self.meter.signal = None if value is None else float(value)
        elif not cable.wire.fault(what, args):
            own = OF_SUPPLY if who.startswith("supply") else OF_METER
            known = ("unplug", "plug", "clear", *COUNTED, *TIMED, *OF_ANY, *own)
            raise FaultRefused(f"The {who} has no fault {what!r}; it has {', '.join(known)}.")

    def _of_any(self, instrument: Instrument, what: str, args: Mapping[str, Any]) -> None:
        if what == "errors":
            for _ in range(int(args.get("n", 1))):
                instrument.put_error(int(args.get("number", -200)))
        elif what == "power_up":
            instrument.power_up()
        else:
            setattr(instrument, what, str(args["value"]))

    def _of_supply(self, what: str, args: Mapping[str, Any]) -> None:
        supply = self.supply
        if what == "trip":
            supply.trip()
        elif what == "stuck":
            supply.stuck = bool(args.get("value", True))
        else:
            supply.volts = float(args.get("volts", supply.volts))
            supply.amps = float(args.get("amps", supply.amps))
            supply.on = bool(args.get("on", supply.on))

    def factory(self) -> None:
        """As at the start."""
        self.supply.stuck, self.meter.signal = False, 1.25
        for instrument, identity in ((self.supply.instrument, SUPPLY), (self.meter.instrument, METER)):
            instrument.identity, instrument.no_error = identity, '+0,"No error"'
            instrument.power_up()


async def serve_instruments(instruments: Instruments, folder: Path, ready: Callable[[Mapping[str, str]], None]) -> None:
    """Run until SIGINT or SIGTERM; `ready` is told where everything is. Raises OSError where a port cannot be made."""
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    server: asyncio.Server | None = None

    async def act(command: dict[str, Any]) -> dict[str, Any]:
        try:
            match command.get("do"):
                case "fault":
                    args = dict(command.get("args") or {})
                    instruments.fault(str(command.get("who")), str(command.get("what")), args)
                    return {"ok": True}
                case "look":
                    return {"ok": True, **instruments.look()}
                case "factory":
                    instruments.factory()
                    return {"ok": True}
                case other:
                    return {"ok": False, "error": f"Instruments take fault, look and factory, not {other!r}."}
        except FaultRefused as refused:
            return {"ok": False, "error": str(refused)}
        except (KeyError, TypeError, ValueError, OSError) as wrong:
            return {"ok": False, "error": f"That argument will not do: {wrong}."}

    try:
        where = instruments.plug()
        server = await hand.listen(folder, act)
        where["hand"] = str(folder / hand.SOCKET)
        write_json(folder / PORTS, where)
        ready(where)
        await stop.wait()
    finally:
        if server is not None:
            server.close()
            (folder / hand.SOCKET).unlink(missing_ok=True)
        (folder / PORTS).unlink(missing_ok=True)
        instruments.unplug()
