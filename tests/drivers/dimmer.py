"""A DMX line with a simulated dimmer at its far end: a pseudo-terminal in this process."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.testing.rig import Hands
from benchd_drivers.dmx_light import DmxLight
from benchd_drivers.dmx_link import DmxLink
from benchd_simulators.firmware.dmx import Dimmer
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.rig import Cable

LIGHT: dict[str, Any] = {"slots": [1], "fine_slots": [2]}


@dataclass
class Line(Hands):
    """The cable, the dimmer, and every level it has had; hands that pull the cable."""

    cable: Cable
    dimmer: Dimmer
    levels: list[float] = field(default_factory=list)

    @property
    def port(self) -> str:
        return str(self.cable.port.link)

    def link(self, **keys: Any) -> DmxLink:
        """A new link to it, not yet open."""
        return DmxLink.create("dmx_line", DmxLink.Config(port=self.port, **keys))

    async def unplug(self) -> None:
        self.cable.unplug()

    async def plug(self) -> None:
        self.cable.port.plug()


@asynccontextmanager
async def dmx_line(folder: Path) -> AsyncIterator[Line]:
    """Plugged in, as long as this lasts."""
    levels: list[float] = []
    dimmer = Dimmer(levels.append)
    cable = Cable(folder / "dmx", Journal(None), seed=1)
    cable.native = True
    cable.feed = dimmer.feed
    cable.port.plug()
    try:
        yield Line(cable, dimmer, levels)
    finally:
        dimmer.cease()
        cable.wire.clear()
        cable.unplug()


@asynccontextmanager
async def lit(line: Line, *, link: dict[str, Any] | None = None, **keys: Any) -> AsyncIterator[DmxLight]:
    """A light at its near end, link and device open."""
    over = line.link(**(link or {}))
    await over.open()
    light = DmxLight.create("lamp", DmxLight.Config(**{**LIGHT, **keys}), over)
    try:
        await light.open()
        yield light
    finally:
        await light.close()
        await over.close()
