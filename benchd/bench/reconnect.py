"""Reopens lost links, with the devices on them, and lost devices, once the same device answers as before.

Nothing resumes by itself: the position stays untrusted and lights come back at their safe level. An outage makes two
lines in the log, however long it lasts.
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

LINK_POLL_S, DEVICE_POLL_S = 0.1, 1.0
"""Checking a link costs nothing; a device without a link has to be asked."""
BACK_OFF_S = (0.1, 0.2, 0.5, 1.0)
"""The last one repeats: a cable that is plugged in again is found within a second."""


@dataclass(frozen=True, eq=False)
class Part:
    """A unit that is lost and reopened together: a link with the devices on it, or a device without a link."""

    name: str
    link: Link | None
    devices: tuple[tuple[str, Device], ...]

    @property
    def in_words(self) -> str:
        """Its name in a sentence."""
        return f"link {self.name}" if self.link else self.name

    async def lost(self) -> bool:
        """Whether it is lost, as the link knows, or the device's health says if it has no link."""
        try:
            if self.link is not None:
                return not self.link.connected
            healths = [await device.health() for _, device in self.devices]
        except DeviceError:
            return False  # it is present but faulty; its published state shows that
        return any(health.state == "fault" and health.code == "link" for health in healths)

    @property
    def why(self) -> str:
        """Why it is lost, in the link's own words if it has any."""
        reason = ""
        if self.link is not None:
            with suppress(DeviceError):
                reason = self.link.why_lost
        return reason or f"{self.in_words[:1].upper()}{self.in_words[1:]} is lost."

    async def close(self) -> None:
        """Close the devices, then the link."""
        for _, device in self.devices:
            await device.close()
        if self.link is not None:
            await self.link.close()

    async def open(self, identities: Mapping[str, Identity]) -> None:
        """Reopen it. Raises DeviceMismatch if another device answers than at the start, LinkError while none does."""
        await self.close()
        if self.link is not None:
            await self.link.open()
        for own, device in self.devices:
            identity = await device.open()
            _check_same(own, identities.get(own, Identity()), identity)


class Reconnector:
    """Runs beside the bench until cancelled. `identities` are those that the devices gave at the start."""

    def __init__(self, bench: Bench, identities: Mapping[str, Identity]) -> None:
        self._bench = bench
        self._identities = identities
        self._away: dict[Part, str] = {}
        self._parts = [*self._links_with_devices(), *self._devices_without_link()]

    def _links_with_devices(self) -> Iterator[Part]:
        devices = self._bench.assembly.devices
        for name, link in self._bench.assembly.links.items():
            on = [own for own, entry in self._bench.file.devices.items() if entry.link == name]
            yield Part(name, link, tuple((own, devices[own]) for own in on))

    def _devices_without_link(self) -> Iterator[Part]:
        for name, entry in self._bench.file.devices.items():
            if entry.link is None:
                yield Part(name, None, ((name, self._bench.assembly.devices[name]),))

    def away(self, device: str) -> str:
        """Why a device (by its name in the bench file) or its link is lost; empty if it is present."""
        return next((why for part, why in self._away.items() if device in dict(part.devices)), "")

    async def run(self) -> None:
        """Watch every link, and every device without one."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch_links(tasks), name="keep links")
            for part in self._parts:
                if part.link is None:
                    tasks.create_task(self._watch(part), name=f"keep {part.in_words}")

    async def _watch_links(self, tasks: asyncio.TaskGroup) -> None:
        """All in one task, as they are looked at often; each lost one is brought back in a task of its own."""
        links = [part for part in self._parts if part.link is not None]
        while True:
            for part in links:
                if part not in self._away and await part.lost():
                    tasks.create_task(self._bring_back(part), name=f"bring back {part.in_words}")
            await self._bench.clock.sleep(LINK_POLL_S)

    async def _watch(self, part: Part) -> None:
        while True:
            if await part.lost():
                await self._bring_back(part)
            await self._bench.clock.sleep(DEVICE_POLL_S)

    async def _bring_back(self, part: Part) -> None:
        bench = self._bench
        since = bench.clock.monotonic()
        self._away[part] = why = part.why
        if self._affects_carriage(part):
            bench.carriage.barred = f"{part.in_words} is lost"
            bench.trust.lose("link", f"{part.in_words} was lost")
        turners = [bench.turners[role] for role in bench.turners if bench.assembly.roles[role] in dict(part.devices)]
        for turner in turners:
            turner.barred = f"{part.in_words} is lost"
            turner.trust.lose("link", f"{part.in_words} was lost")
        _log.warning("lost; trying again until it is back", what=part.in_words, why=why)
        published: set[str] = set()
        tries = 0
        while True:
            await bench.clock.sleep(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
            tries += 1
            try:
                await part.open(self._identities)
                break
            except DeviceError as error:
                await part.close()
                if isinstance(error, DeviceMismatch | DeviceFault) and error.text not in published:
                    published.add(error.text)
                    bench.events.error(error)
        del self._away[part]
        if bench.carriage.barred is not None and not any(self._affects_carriage(other) for other in self._away):
            bench.carriage.barred = None
        for turner in turners:
            turner.barred = None
        _log.warning("it is back", what=part.in_words, after_s=round(bench.clock.monotonic() - since, 1), tries=tries)
        bench.events.tell(
            "link_back",
            f"{part.in_words[:1].upper()}{part.in_words[1:]} is back.",
            advice="Home before anything moves." if turners or self._affects_carriage(part) else "",
            data={"link" if part.link else "device": part.name, "tries": tries},
        )

    def _affects_carriage(self, part: Part) -> bool:
        """Whether the part includes the carriage or its scale."""
        assembly = self._bench.assembly
        parts: tuple[Device | None, ...] = (
            assembly.in_role(CARRIAGE, Axis) or assembly.devices.get(CARRIAGE),
            assembly.in_role("position", Encoder),
        )
        return any(device in parts for _, device in part.devices)


def _check_same(name: str, expected: Identity, found: Identity) -> None:
    if (expected.model, expected.serial) != (found.model, found.serial):
        raise DeviceMismatch(
            f"{name}: another device answers than at the start: '{found.model} {found.serial}'".rstrip()
            + f", not '{expected.model} {expected.serial}'. It is not used.",
            advice="Check which cable is in which port; for another device begin again with `benchd up`.",
            device=name,
        )
