"""A dimmer on a DMX line, and a bench whose lamp hangs on one; the motion board beside it lights nothing then.

Break and mark are what tells frames apart on a real line. A pseudo-terminal carries neither: the call that begins a
break does nothing there, and no byte shows for it. So this ear takes a pause for the break, and where it was held up
and pauses are lost, a byte beyond the longest frame for the next one's first.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.rig import Cable, Rig
from benchd_simulators.firmware.wire import COUNTED, TIMED, FaultRefused

PAUSE_S = 0.002
LOST_AFTER_S = 1.0
"""Without a frame for so long the line counts as lost."""
MOST_BYTES = 513
LEVELS = 0
"""The start code of levels; frames with another one are for other devices."""


class Dimmer:
    """Takes its level from the slot `address`, the finer part from the next one. `on_loss`: `holds` the last level, or
    goes `dark`. `heard` counts the frames of levels."""

    def __init__(self, dim: Callable[[float], None], *, address: int = 1, on_loss: str = "holds") -> None:
        self._dim = dim
        self.address, self.on_loss = address, on_loss
        self.level = 0.0
        self.heard = 0
        self._frame = bytearray()
        self._pause: asyncio.TimerHandle | None = None
        self._loss: asyncio.TimerHandle | None = None

    def feed(self, data: bytes) -> None:
        """Bytes from the line."""
        if self._pause is not None:
            self._pause.cancel()
        for byte in data:
            if len(self._frame) == MOST_BYTES:
                self._ended()
            self._frame.append(byte)
        self._pause = asyncio.get_running_loop().call_later(PAUSE_S, self._ended)

    def _ended(self) -> None:
        frame, self._frame = self._frame, bytearray()
        if not frame or frame[0] != LEVELS:
            return
        self.heard += 1
        if self._loss is not None:
            self._loss.cancel()
        self._loss = asyncio.get_running_loop().call_later(LOST_AFTER_S, self._lost)
        if len(frame) > self.address + 1:
            self._set(int.from_bytes(frame[self.address : self.address + 2], "big") / 0xFFFF)

    def _lost(self) -> None:
        if self.on_loss == "dark":
            self._set(0.0)

    def _set(self, level: float) -> None:
        self.level = level
        self._dim(level)

    def cease(self) -> None:
        """Its power is off."""
        for timer in (self._pause, self._loss):
            if timer is not None:
                timer.cancel()
        self._frame.clear()
        self._set(0.0)


class DmxRig(Rig):
    """As `Rig`, with the port `dmx`."""

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
        self.dimmer = Dimmer(machine.lamp.set_level)
        cable = Cable(folder / "dmx", journal, seed=seed, port=type(self).port)
        cable.native = True  # an adapter on USB: the line's own pace is kept by who sends
        cable.feed = self.dimmer.feed
        self.cables["dmx"] = cable

    async def unplug(self) -> None:
        self.dimmer.cease()
        await super().unplug()

    async def fault(self, who: str, what: str, args: Mapping[str, Any]) -> None:
        if who != "dmx" or what in ("unplug", "plug"):
            await super().fault(who, what, args)
        elif what == "address":
            self.dimmer.address = int(args["value"])
        elif what == "on_loss" and args.get("value") in ("holds", "dark"):
            self.dimmer.on_loss = str(args["value"])
        elif not self.cables["dmx"].wire.fault(what, args):
            known = ("unplug", "plug", "clear", *COUNTED, *TIMED, "address value=", "on_loss value=holds|dark")
            raise FaultRefused(f"The dimmer has no fault {what!r}; it has {', '.join(known)}.")
