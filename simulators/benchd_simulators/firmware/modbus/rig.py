"""A bench whose carriage, lamp and indicator hang on a Modbus drive, and each ring that is turned on one more; the
motion board beside them moves nothing then."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.modbus.drive import MODEL, RING_MODEL, UNIT, Drive
from benchd_simulators.firmware.modbus.ends import NetworkEnd, SerialEnd
from benchd_simulators.firmware.rig import Cable, Rig
from benchd_simulators.firmware.wire import COUNTED, TIMED, FaultRefused

DRIVE_FAULTS = ("power_up", "trip", "refuse", "model")


class ModbusRig(Rig):
    """As `Rig`, with the ports `drive` (RTU) and `drive_tcp`: unit 17 is the carriage's, those behind it are the
    rings', in the order of their letters."""

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
        journal = journal or Journal(None)
        super().__init__(machine, folder, pace=pace, identity=identity, seed=seed, journal=journal, native=native)
        self.drive = Drive(machine, pace=pace)
        rings = sorted(machine.limbs.keys() - {"Z"})
        turning = [Drive(machine, pace=pace, letter=letter, model=RING_MODEL) for letter in rings]
        self._units = dict(enumerate((self.drive, *turning), UNIT))
        self.cables["drive"] = Cable(folder / "drive", journal, seed=seed, port=type(self).port)
        self.serial_end = SerialEnd(self.cables["drive"], self._units)
        self.network_end = NetworkEnd(self._units, journal, seed=seed)

    async def plug(self, camera_port: int) -> dict[str, str]:
        where = await super().plug(camera_port)
        await self.network_end.plug()
        where["drive_tcp"] = f"socket://127.0.0.1:{self.network_end.port}"
        for drive in self._units.values():
            drive.power_up()
        return where

    async def unplug(self) -> None:
        for drive in self._units.values():
            drive.cease()
        self.network_end.wire.clear()
        await self.network_end.unplug()
        await super().unplug()

    async def fault(self, who: str, what: str, args: Mapping[str, Any]) -> None:
        if who in ("drive", "drive_tcp") and what in DRIVE_FAULTS:
            self._drive_fault(what, args)
        elif who == "drive_tcp" and what in ("plug", "unplug"):
            await (self.network_end.plug if what == "plug" else self.network_end.unplug)()
        elif who == "drive_tcp" and not self.network_end.wire.fault(what, args):
            known = ("unplug", "plug", "clear", *COUNTED, *TIMED, *DRIVE_FAULTS)
            raise FaultRefused(f"The drive has no fault {what!r}; it has {', '.join(known)}.")
        elif who != "drive_tcp":
            await super().fault(who, what, args)

    def _drive_fault(self, what: str, args: Mapping[str, Any]) -> None:
        """Of the carriage's drive, or of the one at `unit`."""
        unit = int(args.get("unit", UNIT))
        if (drive := self._units.get(unit)) is None:
            raise FaultRefused(f"There is no unit {unit} on the line; there are {', '.join(map(str, self._units))}.")
        match what:
            case "power_up":
                drive.power_up()
            case "trip":
                drive.trip()
            case "refuse":
                drive.refuse(int(args.get("code", 4)), int(args.get("n", 1)))
            case "model":
                drive.model = int(args.get("value", MODEL if unit == UNIT else RING_MODEL))
