"""Links that were lost are opened again, and the devices on them, once they answer and are the same ones.

Nothing resumes by itself: the position stays untrusted and lights come back at their safe level. An outage is told
by two lines in the log, however long it lasts.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping

import structlog

from benchd.bench.asked_for import CARRIAGE
from benchd.bench.bench import Bench
from benchd.devices import Axis, Device, DeviceError, DeviceMismatch, Encoder, Identity, Link

_log = structlog.get_logger("benchd.links")

LOOK_S = 0.05
BACK_OFF_S = (0.1, 0.2, 0.5, 1.0)
"""The last one repeats: a cable that is back is found within a second."""


class Reconnector:
    """Runs beside the bench until cancelled. `identities` are what the devices said of themselves at the start."""

    def __init__(self, bench: Bench, identities: Mapping[str, Identity]) -> None:
        self._bench = bench
        self._identities = identities
        self._away: set[str] = set()

    def away(self, device: str) -> bool:
        """Whether a device (by its name in the bench file) hangs on a link that is lost and not yet back."""
        entry = self._bench.file.devices.get(device)
        return entry is not None and entry.link in self._away

    async def run(self) -> None:
        """Watch every link."""
        async with asyncio.TaskGroup() as tasks:
            for name, link in self._bench.assembly.links.items():
                tasks.create_task(self._keep(name, link), name=f"keep {name}")

    async def _keep(self, name: str, link: Link) -> None:
        while True:
            if not link.connected:
                await self._bring_back(name, link)
            await self._bench.clock.sleep(LOOK_S)

    async def _bring_back(self, name: str, link: Link) -> None:
        bench = self._bench
        since = bench.clock.monotonic()
        self._away.add(name)
        if self._moves(name):
            bench.carriage.barred = f"link {name} is lost"
            bench.trust.lose("link", f"link {name} was lost")
        _log.warning("a link is lost; trying again until it is back", link=name)
        told: set[str] = set()
        tries = 0
        while True:
            await bench.clock.sleep(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
            tries += 1
            try:
                await self._open(name, link)
                break
            except DeviceMismatch as error:
                await link.close()
                if error.text not in told:
                    told.add(error.text)
                    bench.events.error(error)
            except DeviceError:
                await link.close()
        self._away.discard(name)
        if bench.carriage.barred is not None and not any(self._moves(other) for other in self._away):
            bench.carriage.barred = None
        _log.warning("a link is back", link=name, after_s=round(bench.clock.monotonic() - since, 1), tries=tries)
        advice = "Home before anything moves." if self._moves(name) else ""
        bench.events.tell("link_back", f"Link {name} is back.", advice=advice, data={"link": name, "tries": tries})

    def _moves(self, link: str) -> bool:
        """Whether the carriage or its scale hangs on the link."""
        assembly = self._bench.assembly
        parts: tuple[Device | None, ...] = (
            assembly.in_role(CARRIAGE, Axis) or assembly.devices.get(CARRIAGE),
            assembly.in_role("position", Encoder),
        )
        return any(part in parts for _, part in self._on(link))

    def _on(self, link: str) -> list[tuple[str, Device]]:
        devices = self._bench.assembly.devices
        return [(name, devices[name]) for name, entry in self._bench.file.devices.items() if entry.link == link]

    async def _open(self, name: str, link: Link) -> None:
        """Raises DeviceMismatch where others answer than at the start, LinkError while nobody does."""
        on = self._on(name)
        for _, device in on:
            await device.close()
        await link.close()
        await link.open()
        for own, device in on:
            said = await device.open()
            _same(own, self._identities.get(own, Identity()), said)


def _same(name: str, was: Identity, said: Identity) -> None:
    if (was.model, was.serial) != (said.model, said.serial):
        raise DeviceMismatch(
            f"{name}: another device answers than at the start: '{said.model} {said.serial}'".rstrip()
            + f", not '{was.model} {was.serial}'. It is not used.",
            advice="Check which cable is in which port; for another device begin again with `benchd up`.",
            device=name,
        )
