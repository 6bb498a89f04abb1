"""What `pytest --bench` works on: the devices of a bench file, and what each of them was allowed to do."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import pytest

from benchd.bench.assembly import Assembly, build
from benchd.bench.gauge_position import GaugeScale
from benchd.bench.interlock import EMERGENCY_STOP, GUARDING, in_words
from benchd.devices import Axis, Device, Gauge, Light, Link, Meter, Operator, registry
from benchd.devices.guarded import guarded
from benchd.errors import Refused
from benchd.files.bench_file import Role
from benchd.files.loading import LoadedBench, load_bench
from benchd.testing.bench_switches import BenchSwitch, why_barred
from benchd.testing.rig import Hands, Rig

_ALLOWED = re.compile(r"([a-z0-9_-]{1,32})(?:=(-?\d+(?:\.\d+)?)\.\.(-?\d+(?:\.\d+)?))?")


@dataclass(frozen=True)
class Allowed:
    """A device that may do what it can, an axis within `reach` where that is given."""

    name: str
    reach: tuple[float, float] | None


def allowed(text: str) -> Allowed:
    """What `NAME` or `NAME=LOW..HIGH` allows. Raises Refused('bad_request')."""
    if (found := _ALLOWED.fullmatch(text)) is None:
        raise Refused("bad_request", f"--bench-allow {text}: NAME or NAME=LOW..HIGH is wanted.")
    name, low, high = found.groups()
    return Allowed(name, None if low is None else (float(low), float(high)))


@dataclass
class BenchDevices:
    """The devices that are tested, by their names in the bench file `loaded`."""

    loaded: LoadedBench
    known: dict[str, Device]
    """As made from the file, never opened; what is tested is made anew for each test."""
    _allowed: dict[str, Allowed] = field(default_factory=dict)

    @classmethod
    def of_file(cls, path: Path, only: Sequence[str]) -> BenchDevices:
        """Raises FileProblems with all that is wrong in the file, Refused('unknown_name')."""
        loaded = load_bench(path)
        known = {name: device for name, device in _devices(build(loaded)) if name in loaded.file.devices}
        for name in only:
            if name not in known:
                raise Refused("unknown_name", f"{path} has no device '{name}'.", advice=f"It has: {', '.join(known)}.")
        return cls(loaded, {name: device for name, device in known.items() if not only or name in only})

    def allow(self, what: Sequence[Allowed]) -> None:
        """Let axes move and lights go on. Raises Refused for what is neither, or a reach outside an axis's travel."""
        for each in what:
            device, option = self.known.get(each.name), f"--bench-allow {each.name}"
            if isinstance(device, Axis):
                self._check_reach(device, each, option)
            elif not isinstance(device, Light):
                may = [name for name, other in self.known.items() if isinstance(other, Axis | Light)]
                advice = f"These do: {', '.join(may) or 'none'}."
                raise Refused(
                    "unknown_name", f"{option}: no device of that name moves or lights up here.", advice=advice
                )
            elif device.spec.laser_class is not None:
                raise Refused("not_allowed", f"{option}: a laser is not lit by tests.")
            elif each.reach is not None:
                raise Refused("bad_request", f"{option}: a light has no reach; leave out what follows the name.")
            self._allowed[each.name] = each

    def _check_reach(self, axis: Axis, what: Allowed, option: str) -> None:
        spec, reach = axis.spec, what.reach
        if reach is None:
            return
        least = 0.01 * (spec.high - spec.low)
        if not (spec.low <= reach[0] and reach[0] + least <= reach[1] <= spec.high):
            text = f"{option}: {reach[0]:g}..{reach[1]:g} {spec.unit} is no reach of this axis"
            advice = f"It travels {spec.low:g} to {spec.high:g} {spec.unit}, and at least {least:g} are needed."
            raise Refused("limit", f"{text}.", advice=advice)

    def named(self, kind: type[Device], *, acting: bool) -> list[str]:
        """The devices of a kind: those that were allowed to act (anything else than an axis or a light is), or those
        that were not."""
        return [
            name
            for name, device in self.known.items()
            if isinstance(device, kind) and self._may_act(name, device) == acting
        ]

    def _may_act(self, name: str, device: Device) -> bool:
        return name in self._allowed or not isinstance(device, Axis | Light)

    def lines(self) -> Iterator[str]:
        """What will be done to each, for the person who has asked for it."""
        for name, device in self.known.items():
            yield f"{name}: {self._plan(name, device)}"

    def _plan(self, name: str, device: Device) -> str:
        if isinstance(device, Operator):
            return "not tested: nobody would answer"
        if not self._may_act(name, device):
            what = "move" if isinstance(device, Axis) else "light up"
            return f"read, opened and closed; it does not {what} (--bench-allow {name} lets it)"
        if isinstance(device, Axis):
            low, high = self._allowed[name].reach or (device.spec.low, device.spec.high)
            switches = " or ".join(in_words(*switch) for switch in self._barring(device))
            unless = f"; none of that is begun while {switches} is pressed" if switches else ""
            return f"HOMES, as far as its switch, and MOVES between {low:g} and {high:g} {device.spec.unit}{unless}"
        if isinstance(device, Light):
            unless = "".join(f"; not while {in_words(*switch)} is pressed" for switch in self._barring(device))
            return f"goes up to FULL LIGHT{unless}"
        return "read"

    @asynccontextmanager
    async def rig(self, name: str, hands: Hands | None) -> AsyncIterator[Rig]:
        """The device made anew and opened, without the guard that the daemon puts around it. What may move or
        light up does so only while the switches of the bench file let it. It is closed first, and each of the others
        whatever became of that."""
        links: dict[str, Link] = {}
        device, link = self._made(name, links)
        what = self._allowed.get(name)
        switches = self._switches(device, links) if what is not None else []
        async with AsyncExitStack() as closing:
            for switch in reversed(switches):
                closing.push_async_callback(switch.close)
            if link is not None:
                closing.push_async_callback(link.close)
            closing.push_async_callback(device.close)
            if link is not None:
                await link.open()
            await device.open()
            bars = partial(why_barred, switches)
            yield Rig(device, link, hands, reach=None if what is None else what.reach, bars=bars)

    def _made(self, name: str, links: dict[str, Link]) -> tuple[Device, Link | None]:
        """A device of the bench file and its link, one of `links` if it is there already."""
        entry = self.loaded.file.devices[name]
        link = None
        if entry.link is not None:
            if entry.link not in links:
                kind = registry.link_kind(self.loaded.file.links[entry.link].kind)
                links[entry.link] = kind.create(entry.link, self.loaded.link_config(entry.link, kind.Config))
            link = links[entry.link]
        driver = registry.driver(entry.driver)
        return driver.create(name, self.loaded.device_config(name, driver.Config), link), link

    def _switches(self, device: Device, links: dict[str, Link]) -> list[BenchSwitch]:
        """Those that bar it, the gravest first, not open yet."""
        found = []
        for role, name in self._barring(device):
            shared = self.loaded.file.devices[name].link in links
            made, link = self._made(name, links)
            meter = guarded(made, name, self.loaded.file.devices[name].driver)
            assert isinstance(meter, Meter), "as the bench file was checked"
            found.append(BenchSwitch(role, meter, None if shared else link))
        return found

    def _barring(self, device: Device) -> list[tuple[Role, str]]:
        """The switches that bar what this does: each of them motion, the emergency stop light as well."""
        barring = GUARDING if isinstance(device, Axis) else (EMERGENCY_STOP,) if isinstance(device, Light) else ()
        roles = self.loaded.file.roles
        return [(role, roles[role]) for role in barring if role in roles]


class PersonsHands(Hands):
    """The hands of somebody at the bench, who is asked at the terminal; noise and silence nobody can make there."""

    def __init__(self, config: pytest.Config, what: str) -> None:
        self._config, self._what = config, what

    async def unplug(self) -> None:
        await self._asked("Pull the cable of")

    async def plug(self) -> None:
        await self._asked("Plug in the cable of")

    async def _asked(self, text: str) -> None:
        capture = self._config.pluginmanager.getplugin("capturemanager")
        with capture.global_and_fixture_disabled():
            await asyncio.to_thread(input, f"\n{text} {self._what}, then press Enter. ")


def _devices(assembly: Assembly) -> Iterator[tuple[str, Device]]:
    """A gauge that says where the carriage is comes as the gauge it is."""
    for name, device in assembly.devices.items():
        gauge: Gauge | Device = device.gauge if isinstance(device, GaugeScale) else device
        yield name, gauge
