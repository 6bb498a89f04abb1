"""All links and devices of a bench are opened together, and closed together."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Mapping

from benchd.bench.assembly.assembly import Assembly
from benchd.devices import Device, DeviceError, Identity


async def open_all(assembly: Assembly) -> dict[str, Identity]:
    """Open all links, then all devices, concurrently. Raises DeviceError naming all failures; the rest is closed."""
    failed = await _gather({name: link.open() for name, link in assembly.links.items()})
    identities: dict[str, Identity] = {}

    async def open_device(name: str, device: Device) -> None:
        identities[name] = await device.open()

    if not failed:
        failed = await _gather({name: open_device(name, device) for name, device in assembly.devices.items()})
    if failed:
        await close_all(assembly)
        first = next(iter(failed.values()))
        raise DeviceError(
            "; ".join(_named(name, str(getattr(error, "text", error))) for name, error in failed.items()) + ".",
            advice=getattr(first, "advice", "") or "Check cables and ports, then start again.",
            data={"failed": list(failed)},
        )
    return identities


def _named(name: str, text: str) -> str:
    """An error text with the device's name in front, once."""
    return f"{name}: {text.removeprefix(f'{name}: ').rstrip('.')}"


async def close_all(assembly: Assembly, *, within_s: float = 5.0) -> None:
    """Close devices (each leaves its hardware safe), then links.

    The link of a device that is late is closed all the same, which makes the pending calls fail.
    """
    closing = [asyncio.ensure_future(device.close()) for device in assembly.devices.values()]
    _, late = await asyncio.wait(closing, timeout=within_s)
    for task in late:
        task.cancel()
    await asyncio.gather(*(link.close() for link in assembly.links.values()))


async def _gather(openings: Mapping[str, Awaitable[None]]) -> dict[str, BaseException]:
    results = await asyncio.gather(*openings.values(), return_exceptions=True)
    failed = {name: r for name, r in zip(openings, results, strict=True) if isinstance(r, BaseException)}
    for error in failed.values():
        if not isinstance(error, DeviceError):
            raise error
    return failed
