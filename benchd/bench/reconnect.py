"""What was lost is opened again, links with the devices on them, once it answers and is the same as before.

Nothing resumes by itself: the position stays untrusted and lights come back at their safe level. An outage is told
by two lines in the log, however long it lasts.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass

import structlog

from benchd.bench.bench import Bench
from benchd.bench.requests import CARRIAGE
from benchd.devices import Axis, Device, DeviceError, DeviceFault, DeviceMismatch, Encoder, Identity, Link

_log = structlog.get_logger("benchd.links")

LOOK_S, ASK_S = 0.05, 1.0
"""A link is only looked at; a device without one is asked."""
BACK_OFF_S = (0.1, 0.2, 0.5, 1.0)
"""The last one repeats: a cable that is back is found within a second."""


@dataclass(frozen=True, eq=False)
class Part:
    """What is lost and comes back as one: a link with the devices on it, or a device that has none."""

    name: str
    link: Link | None
    devices: tuple[tuple[str, Device], ...]

    @property
    def said(self) -> str:
        """As it stands in a sentence."""
        return f"link {self.name}" if self.link else self.name

    async def lost(self) -> bool:
        """A link knows; a device without one says so of itself."""
        try:
            if self.link is not None:
                return not self.link.connected
            healths = [await device.health() for _, device in self.devices]
        except DeviceError:
            return False  # it is there, and told as a fault: that of the device, or of those on the link
        return any(health.state == "fault" and health.code == "link" for health in healths)

    @property
    def why(self) -> str:
        """Why it is lost: in the link's own words where it finds any."""
        said = ""
        if self.link is not None:
            with suppress(DeviceError):
                said = self.link.why_lost
        return said or f"{self.said[:1].upper()}{self.said[1:]} is lost."

    async def close(self) -> None:
        """Devices first."""
        for _, device in self.devices:
            await device.close()
        if self.link is not None:
            await self.link.close()

    async def open(self, identities: Mapping[str, Identity]) -> None:
        """Raises DeviceMismatch where others answer than at the start, LinkError while nobody does."""
        await self.close()
        if self.link is not None:
            await self.link.open()
        for own, device in self.devices:
            said = await device.open()
            _same(own, identities.get(own, Identity()), said)


class Reconnector:
    """Runs beside the bench until cancelled. `identities` are what the devices said of themselves at the start."""

    def __init__(self, bench: Bench, identities: Mapping[str, Identity]) -> None:
        self._bench = bench
        self._identities = identities
        self._away: dict[Part, str] = {}
        self._parts = [*self._links(), *self._alone()]

    def _links(self) -> Iterator[Part]:
        devices = self._bench.assembly.devices
        for name, link in self._bench.assembly.links.items():
            on = [own for own, entry in self._bench.file.devices.items() if entry.link == name]
            yield Part(name, link, tuple((own, devices[own]) for own in on))

    def _alone(self) -> Iterator[Part]:
        for name, entry in self._bench.file.devices.items():
            if entry.link is None:
                yield Part(name, None, ((name, self._bench.assembly.devices[name]),))

    def away(self, device: str) -> str:
        """Why a device (by its name in the bench file) is lost, or its link is; empty where it is not, or is back."""
        return next((why for part, why in self._away.items() if device in dict(part.devices)), "")

    async def run(self) -> None:
        """Watch every link, and every device without one."""
        async with asyncio.TaskGroup() as tasks:
            for part in self._parts:
                tasks.create_task(self._keep(part), name=f"keep {part.said}")

    async def _keep(self, part: Part) -> None:
        while True:
            if await part.lost():
                await self._bring_back(part)
            await self._bench.clock.sleep(LOOK_S if part.link else ASK_S)

    async def _bring_back(self, part: Part) -> None:
        bench = self._bench
        since = bench.clock.monotonic()
        self._away[part] = why = part.why
        if self._moves(part):
            bench.carriage.barred = f"{part.said} is lost"
            bench.trust.lose("link", f"{part.said} was lost")
        _log.warning("lost; trying again until it is back", what=part.said, why=why)
        told: set[str] = set()
        tries = 0
        while True:
            await bench.clock.sleep(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
            tries += 1
            try:
                await part.open(self._identities)
                break
            except DeviceError as error:
                await part.close()
                if isinstance(error, DeviceMismatch | DeviceFault) and error.text not in told:
                    told.add(error.text)
                    bench.events.error(error)
        del self._away[part]
        if bench.carriage.barred is not None and not any(self._moves(other) for other in self._away):
            bench.carriage.barred = None
        _log.warning("it is back", what=part.said, after_s=round(bench.clock.monotonic() - since, 1), tries=tries)
        bench.events.tell(
            "link_back",
            f"{part.said[:1].upper()}{part.said[1:]} is back.",
            advice="Home before anything moves." if self._moves(part) else "",
            data={"link" if part.link else "device": part.name, "tries": tries},
        )

    def _moves(self, part: Part) -> bool:
        """Whether the carriage or its scale is part of it."""
        assembly = self._bench.assembly
        parts: tuple[Device | None, ...] = (
            assembly.in_role(CARRIAGE, Axis) or assembly.devices.get(CARRIAGE),
            assembly.in_role("position", Encoder),
        )
        return any(device in parts for _, device in part.devices)


def _same(name: str, was: Identity, said: Identity) -> None:
    if (was.model, was.serial) != (said.model, said.serial):
        raise DeviceMismatch(
            f"{name}: another device answers than at the start: '{said.model} {said.serial}'".rstrip()
            + f", not '{was.model} {was.serial}'. It is not used.",
            advice="Check which cable is in which port; for another device begin again with `benchd up`.",
            device=name,
        )
