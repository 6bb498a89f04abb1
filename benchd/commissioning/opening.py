"""The hardware of a bench that is not running: opened where a person allows it, asked who it is, read once, closed.

Nothing is moved. Opening is not nothing all the same: it resets many boards, which lets go of what their motors held.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from benchd.bench.assembly import Assembly
from benchd.commissioning.diagnosis import Found, probe, wrong
from benchd.devices import (
    Axis,
    Camera,
    Device,
    DeviceError,
    Encoder,
    FrameLog,
    Gauge,
    Identity,
    Light,
    Link,
    LinkTimeout,
    Meter,
    Operator,
)
from benchd.files.loading import LoadedBench

OPEN_S, DEVICE_S, CLOSE_S = 10.0, 30.0, 10.0

TEXT = frozenset((*b"\t\r\n", *range(0x20, 0x7F)))
NO_TEXT = 0.1
NOISE = " What came is no text, as a wrong baud rate makes it."

Allowed = Callable[[str, str], Awaitable[bool]]
"""Asks a person whether it may be opened: its name, and what would happen."""


@dataclass(frozen=True)
class Part:
    """What is opened together: a link with the devices on it, or a device without a link."""

    name: str
    link: Link | None
    where: str
    devices: tuple[tuple[str, Device], ...]

    @property
    def effect(self) -> str:
        """What opening it does, for the question to a person."""
        on = ", ".join(name for name, _ in self.devices)
        if self.link is None:
            return f"Ask {self.name} at {self.where} once, as the bench would?" if self.where else f"Open {self.name}?"
        lit = any(isinstance(device, Light) for _, device in self.devices)
        driven = any(isinstance(device, Axis) for _, device in self.devices)
        says = f"Open {self.where or self.name} and ask {on or 'nothing'}? Nothing is told to move, but opening a port "
        says += "resets many boards"
        says += ", and what a motor held up may drop then: support it" if driven else ""
        return f"{says}; the light goes to its safe level." if lit else f"{says}."


def parts(loaded: LoadedBench, assembly: Assembly) -> Iterator[Part]:
    """All that can be opened; a person at the bench is no device to open."""
    for name, link in assembly.links.items():
        on = tuple((own, assembly.devices[own]) for own, entry in loaded.file.devices.items() if entry.link == name)
        rest = loaded.file.links[name].rest
        yield Part(name, link, str(rest.get("port") or rest.get("url") or rest.get("match") or ""), on)
    for name, entry in loaded.file.devices.items():
        if entry.link is None and not isinstance(assembly.devices[name], Operator):
            yield Part(name, None, str(entry.rest.get("url") or ""), ((name, assembly.devices[name]),))


async def opened(loaded: LoadedBench, part: Part) -> list[Found]:
    """Open it, ask each device on it, close it, whatever happens."""
    found: list[Found] = []
    try:
        if part.link is not None:
            link = part.link
            found += await probe(part.name, OPEN_S, lambda: _open_link(link))
            if found:
                return found
        for name, device in part.devices:
            found += await probe(name, DEVICE_S, partial(_asked, loaded, part, name, device))
    finally:
        await _close(part)
    return found


async def _open_link(link: Link) -> list[Found]:
    await link.open()
    return []


async def _asked(loaded: LoadedBench, part: Part, name: str, device: Device) -> list[Found]:
    """Its identity, its health and one reading. Raises DeviceError."""
    try:
        identity = await device.open()
        health = await device.health()
        told, bad = await _reading(device)
    except LinkTimeout as silent:
        noise = NOISE if _noise(silent.frames) else ""
        return [Found(name, "wrong", f"{silent.text}{noise}", _silent(loaded, part))]
    except DeviceError as error:
        return [wrong(name, error)]
    text = f"It answers{_who(identity)}{told}."
    if health.state == "fault" or (health.state == "degraded" and health.code != "not_homed"):
        return [Found(name, "wrong" if health.state == "fault" else "note", health.text or text)]
    return [Found(name, "note", f"{text[:-1]}: {bad}.") if bad else Found(name, "ok", text)]


def _silent(loaded: LoadedBench, part: Part) -> str:
    baud = loaded.file.links[part.name].rest.get("baud") if part.link is not None else None
    rate = f", the baud rate (here {baud}; its manual says which)" if baud else ""
    return (
        f"Check that it is switched on, the cable{rate}, and that the right device is on {part.where or 'this port'}."
    )


def _noise(frames: Sequence[FrameLog]) -> bool:
    """Whether what came is to a good part no text, as bytes read at another speed than they were sent at."""
    came = b"".join(frame.data for frame in frames if frame.direction == "in")
    return sum(byte not in TEXT for byte in came) > NO_TEXT * len(came)


def _who(identity: Identity) -> str:
    told = " ".join(part for part in (identity.model, identity.firmware, identity.serial) if part)
    return f" as {told}" if told else ""


async def _reading(device: Device) -> tuple[str, str]:
    """What it tells, in words, and what is wrong with that. A light was made safe by its opening, and is not set."""
    if isinstance(device, Axis):
        return f", and counts {(await device.read()).value:.6g} {device.spec.unit}, not homed", ""
    if isinstance(device, Encoder | Gauge | Meter):
        reading = await device.read()
        bad = "that is outside its range, or it touches nothing" if reading.quality == "bad" else ""
        return f", and reads {reading.value:.6g} {reading.unit}", bad
    if isinstance(device, Light):
        return f", its level {await device.level():g}", ""
    if isinstance(device, Camera):
        frame = await device.grab()
        return f" with a picture of {len(frame.data) / 1000:.0f} kB ({frame.media_type})", ""
    return "", ""


async def _close(part: Part) -> None:
    closing = [device.close() for _, device in part.devices]
    await asyncio.wait([asyncio.ensure_future(one) for one in closing], timeout=CLOSE_S) if closing else None
    if part.link is not None:
        await asyncio.wait([asyncio.ensure_future(part.link.close())], timeout=CLOSE_S)
