"""The switches of a bench file that bar motion, for the kit on hardware: each is read before each motion, the emergency
stop before each light as well, and what is pressed, or cannot be read, keeps that from being asked for. They are not
looked at while it lasts."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.bench.interlock import in_words, pressed
from benchd.bench.switch_watch import UNREAD_S
from benchd.devices import DeviceError, Link, Meter
from benchd.files.bench_file import Role


@dataclass
class BenchSwitch:
    """The meter in its role, guarded, and its link where nobody else has that open."""

    role: Role
    meter: Meter
    link: Link | None

    async def why_not(self) -> str:
        """Why nothing may move now, or be lit, a clause; empty where it was read as released."""
        name = in_words(self.role, self.meter.name)
        try:
            return f"{name} is pressed" if await self._acted() else ""
        except TimeoutError:
            why = f"it gave no answer for {UNREAD_S:g} s"
        except DeviceError as error:
            why = error.text.rstrip(".")
        return f"{name} could not be read, which counts as pressed: {why}"

    async def _acted(self) -> bool:
        """Opened anew where it does not answer: its cable may have been pulled by a test. Raises DeviceError."""
        try:
            return await self._read()
        except (DeviceError, TimeoutError):
            await self.close()
            await self._open()
            return await self._read()

    async def _read(self) -> bool:
        async with asyncio.timeout(UNREAD_S):
            return pressed(await self.meter.read(), self.meter.name)

    async def _open(self) -> None:
        if self.link is not None:
            await self.link.open()
        await self.meter.open()

    async def close(self) -> None:
        """Idempotent."""
        await self.meter.close()
        if self.link is not None:
            await self.link.close()


async def why_barred(switches: Sequence[BenchSwitch]) -> str:
    """What of these is acted on now, the gravest first; empty where nothing does."""
    for switch in switches:
        if why := await switch.why_not():
            return why
    return ""
