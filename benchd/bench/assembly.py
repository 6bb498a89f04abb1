"""From a bench file to devices: drivers and links are checked, with problems at their lines, built, and opened."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar

from benchd.arrangements.registry import arrangement, arrangement_problems
from benchd.bench.gauge_position import GaugeScale
from benchd.bench.interlock import EMERGENCY_STOP, GUARDING
from benchd.bench.plausible import implausible
from benchd.bench.pointer import Pointer
from benchd.bench.unlit_camera import UnlitCamera
from benchd.bench.within_reach import WithinReach
from benchd.detectors.available import Configs, configured
from benchd.detectors.registry import kinds as detector_kinds
from benchd.devices import (
    Axis,
    Camera,
    Device,
    DeviceError,
    DeviceFault,
    Encoder,
    Gauge,
    Identity,
    Light,
    Link,
    Meter,
    Operator,
    registry,
)
from benchd.devices.guard import Guard
from benchd.devices.guarded import GuardedLink, guarded
from benchd.errors import Refused
from benchd.files.bench_file import Role
from benchd.files.loading import LoadedBench
from benchd.files.problems import FileProblems, Problem
from benchd.quantities import converted

D = TypeVar("D", bound=Device)
T = TypeVar("T")

OPERATOR = "operator"
CELSIUS = ("degC", "°C", "C")


@dataclass(frozen=True)
class Assembly:
    """Links and devices by their names in the bench file, and the roles they play.

    `detectors` are those that work on the device in that role, each with its section of the bench file.
    """

    links: Mapping[str, Link]
    devices: Mapping[str, Device]
    roles: Mapping[str, str]
    detectors: Configs = field(default_factory=dict)

    def public_name(self, device: str) -> str:
        """The role a device plays, else its own name."""
        return next((role for role, name in self.roles.items() if name == device), device)

    def named(self, name: str, kind: type[D]) -> D:
        """The device of a role or name, of the wanted kind. Raises Refused('unknown_name')."""
        device = self.devices.get(self.roles.get(name, name))
        if not isinstance(device, kind):
            known = [self.public_name(key) for key, value in self.devices.items() if isinstance(value, kind)]
            what = kind.__name__.lower()
            raise Refused(
                "unknown_name",
                f"This bench has no {what} '{name}'.",
                advice=f"It has: {', '.join(known)}." if known else f"It has no {what} at all.",
                data={"name": name, "known": known},
            )
        return device

    def in_role(self, role: str, kind: type[D]) -> D | None:
        """The device in a role if it is of that kind, else None."""
        device = self.devices.get(self.roles.get(role, ""))
        return device if isinstance(device, kind) else None

    @property
    def position_resolution_um(self) -> float:
        """Resolution of the encoder if there is one, else of the carriage's steps."""
        encoder = self.in_role("position", Encoder)
        return self.named("carriage", Axis).spec.resolution if encoder is None else encoder.spec.resolution_um


def build(loaded: LoadedBench) -> Assembly:
    """Build all links and devices; no hardware is touched.

    Raises FileProblems with every wrong key of every device and link, at its line.
    """
    problems = arrangement_problems(loaded)
    links = {
        name: link for name, entry in loaded.file.links.items() if (link := _link(loaded, name, entry.kind, problems))
    }
    devices: dict[str, Device] = {}
    for name, entry in loaded.file.devices.items():
        # A link that could not be built is a problem already; its devices would only repeat it.
        if (entry.link is None or entry.link in links) and (
            device := _device(loaded, name, entry.driver, links.get(entry.link or ""), problems)
        ):
            devices[name] = guarded(device, name, entry.driver)
    _keep_laser_dark(loaded, devices)
    scale = devices.get(loaded.file.roles.get("position", ""))
    if isinstance(scale, Gauge):
        devices[loaded.file.roles["position"]] = GaugeScale(scale)
    problems += _role_problems(loaded, devices)
    by_lens = not problems and arrangement(loaded.file.arrangement.kind).pitch_goes_with_lens
    problems += _missing_figures(loaded, devices, by_lens=by_lens)
    problems += _laser_problems(loaded, devices)
    detectors = configured(loaded, devices.get(loaded.file.roles.get("detector", "")), problems)
    problems += implausible(loaded, devices)
    carriage = devices.get(loaded.file.roles.get("carriage", ""))
    if isinstance(carriage, Axis) and not problems:  # a wrong travel is reported only once
        problems += WithinReach(loaded, carriage.spec).problems()
    if problems:
        raise FileProblems(problems)
    if not any(isinstance(device, Operator) for device in devices.values()):
        person = registry.driver(OPERATOR)
        devices[OPERATOR] = guarded(person.create(OPERATOR, person.Config(), None), OPERATOR, OPERATOR)
    watched = {name: GuardedLink(link, name, loaded.file.links[name].kind) for name, link in links.items()}
    return Assembly(watched, devices, {str(role): name for role, name in loaded.file.roles.items()}, detectors)


def _link(loaded: LoadedBench, name: str, kind: str, problems: list[Problem]) -> Link | None:
    with _problems_of(loaded, ("links", name), "kind", problems):
        found = registry.link_kind(kind)
        config = loaded.link_config(name, found.Config)
        return _create(f"link {name}", kind, Link, lambda: found.create(name, config))
    return None


def _device(loaded: LoadedBench, name: str, driver: str, link: Link | None, problems: list[Problem]) -> Device | None:
    with _problems_of(loaded, ("devices", name), "driver", problems):
        found = registry.driver(driver)
        config = loaded.device_config(name, found.Config)
        return _create(name, driver, Device, lambda: found.create(name, config, link))
    return None


@contextmanager
def _problems_of(loaded: LoadedBench, at: tuple[str, str], key: str, problems: list[Problem]) -> Iterator[None]:
    """Turns every error of making a driver or link into a problem at its lines in the bench file."""
    try:
        yield
    except FileProblems as wrong:
        problems += wrong.problems
    except Refused as unknown:
        problems.append(loaded.source.problem((*at, key), unknown.advice))
    except DeviceFault as fault:
        problems.append(loaded.source.problem((*at, key), fault.text))
    except ValueError as wrong_use:
        problems.append(loaded.source.problem(at, str(wrong_use)))


def _create(name: str, driver: str, kind: type[T], create: Callable[[], Any]) -> T:
    """The result of a driver's `create`. Raises its ValueError, and DeviceFault if it breaks the contract."""
    guard = Guard(name, driver)
    return guard.of_kind("create", guard.now("create", create, passing=ValueError), kind)


_KINDS: Mapping[Role, tuple[type[Device], ...]] = {
    "carriage": (Axis,),
    "position": (Encoder, Gauge),
    "target_light": (Light,),
    "lamp_reference": (Meter,),
    "indicator": (Gauge,),
    "pointer": (Light,),
    "temperature": (Meter,),
    "focus_ring": (Axis,),
    "iris_ring": (Axis,),
    "zoom_ring": (Axis,),
    "turn": (Axis,),
    "level": (Meter,),
    "range": (Meter,),
    "barrel_view": (Camera,),
    "emergency_stop": (Meter,),
    "hands_in": (Meter,),
}
"""The kinds of device allowed in each role; for `detector` the detectors decide."""

ROTARY: tuple[Role, ...] = ("focus_ring", "iris_ring", "zoom_ring", "turn")
"""The roles of what turns."""


def _role_problems(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[Problem]:
    """Devices that are not of the kind a role requires."""
    problems = []
    for role, name in loaded.file.roles.items():
        kinds = detector_kinds() if role == "detector" else _KINDS[role]
        device = devices.get(name)
        if device is not None and not isinstance(device, kinds):
            may = " or ".join(kind.__name__.lower() for kind in kinds)
            problems.append(loaded.source.problem(("roles", role), f"the name of a device that is {_article(may)}"))
        elif isinstance(device, Axis) and (role in ROTARY) != (device.spec.unit == "deg"):
            wanted = "an axis that turns, in degrees" if role in ROTARY else "an axis that goes along, in um"
            problems.append(loaded.source.problem(("roles", role), f"{wanted}; this one counts {device.spec.unit}"))
        elif isinstance(device, Camera) and device.spec.replays:
            wanted = "a camera that sees this bench now; this one's pictures are from a file, for trying things out"
            problems.append(loaded.source.problem(("roles", role), wanted))
        elif role == "temperature" and isinstance(device, Meter) and device.unit not in CELSIUS:
            wanted = f"a meter whose unit is {CELSIUS[0]}, by which a room is watched; this one's is {device.unit!r}"
            problems.append(loaded.source.problem(("roles", role), wanted))
        elif role in ("level", "range") and isinstance(device, Meter):
            problems += _sensor_problems(loaded, role, device)
        elif role in GUARDING and isinstance(device, Meter):
            problems += _switch_problems(loaded, role, name, device)
    return problems


def _sensor_problems(loaded: LoadedBench, role: Role, device: Meter) -> list[Problem]:
    """A meter that tells of the room has a unit of what it is to tell, and what it is worth is stated."""
    unit, example, needed = ("mm", "mm, m", "u_mm") if role == "range" else ("arcmin", "deg, arcmin", "most_arcmin")
    problems = []
    try:
        converted(1.0, device.unit, unit)
    except Refused:
        wanted = f"a meter whose unit becomes {unit} ({example}); this one's is {device.unit!r}"
        problems.append(loaded.source.problem(("roles", role), wanted))
    if getattr(loaded.file.sensors, role) is None:
        wanted = f"this key is needed, {{{needed}: ..}}: a meter has that role"
        problems.append(loaded.source.problem(("sensors", role), wanted))
    if role == "range" and "distance_mm" not in arrangement(loaded.file.arrangement.kind).goes_by:
        wanted = f"no role here: there is no wall in the arrangement {loaded.file.arrangement.kind}"
        problems.append(loaded.source.problem(("roles", role), wanted))
    return problems


def _switch_problems(loaded: LoadedBench, role: Role, name: str, device: Meter) -> list[Problem]:
    """A device that bars motion has to be a switch whose contacts are known; that of an emergency stop opens."""
    if device.quantity != "switch":
        wanted = f"a switch: a device that measures the quantity 'switch'; this one's is {device.quantity!r}"
        return [loaded.source.problem(("roles", role), wanted)]
    at = ("devices", name, "contacts")
    if device.contacts is None:
        wanted = "normally_closed or normally_open: whether its circuit opens or closes when it is acted on"
        return [loaded.source.problem(at, wanted)]
    if role == EMERGENCY_STOP and device.contacts != "normally_closed":
        wanted = (
            "normally_closed for an emergency stop: with contacts that close, a broken wire looks like a button that "
            "nobody presses (common practice; the rules of the place where it stands come first)"
        )
        return [loaded.source.problem(at, wanted)]
    return []


def switch_notes(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[str]:
    """Notes on switches that bar motion: what they are not, and contacts that hide a broken wire."""
    notes = []
    for role in GUARDING:
        device = devices.get(loaded.file.roles.get(role, ""))
        if isinstance(device, Meter) and device.contacts == "normally_open":
            text = (
                "contacts that close when they are acted on, so that a broken wire looks like hands that are out; "
                "normally_closed ones show it"
            )
            notes.append(str(loaded.source.problem(("devices", loaded.file.roles[role], "contacts"), text)))
    return notes


def _missing_figures(loaded: LoadedBench, devices: Mapping[str, Device], *, by_lens: bool) -> list[Problem]:
    """Figures that the budget of a finding goes by and that nobody has stated: none of them is taken as zero.

    `by_lens`: how large the target is in a picture goes with the lens.
    """
    problems = []

    def need(role: Role, key: str, value: float | None, what: str) -> None:
        if value is None:
            wanted = f"{what}, which findings go by where the device is {role}; an explicit 0 is allowed"
            problems.append(loaded.source.problem(("devices", loaded.file.roles[role], key), wanted))

    for role, name in loaded.file.roles.items():
        device = devices.get(name)
        if role == "position" and isinstance(device, GaugeScale):
            need(role, "u_gain", device.spec.u_scale, "the standard uncertainty of the gauge's gain, relative")
            need(role, "hysteresis_um", device.spec.subdivision_um, "the hysteresis of the gauge")
            if device.gauge.spec.grows is None:
                wanted = "`deeper` where the reading grows as the carriage goes away from the lens, else `shallower`"
                problems.append(loaded.source.problem(("devices", name, "grows"), wanted))
        elif role == "position" and isinstance(device, Encoder):
            need(role, "u_scale", device.spec.u_scale, "the standard uncertainty of the scale's length, relative")
            need(role, "subdivision_um", device.spec.subdivision_um, "the amplitude of the error within one period")
        elif role == "indicator" and isinstance(device, Gauge):
            need(role, "hysteresis_um", device.spec.hysteresis_um, "the hysteresis of the gauge")
            need(role, "u_gain", device.spec.u_gain, "the standard uncertainty of the gauge's gain, relative")
            if device.spec.grows is None:
                wanted = (
                    "`deeper` where the reading grows as the tip reaches deeper, `shallower` where as it is pushed in"
                )
                problems.append(loaded.source.problem(("devices", name, "grows"), wanted))
        elif role == "detector" and isinstance(device, Camera):
            if device.spec.pixel_um is not None:
                need(role, "u_pixel_um", device.spec.u_pixel_um, "the standard uncertainty of pixel_um")
            elif by_lens:
                why = "the side of a pixel: here it is the lens that says how large the target is in a picture"
                problems.append(loaded.source.problem(("devices", name, "pixel_um"), why))
    return problems


POINTER: Role = "pointer"
_OF_LASERS = {
    "1M": "with a lens or a magnifier in the beam it is not safe any more, and this is a bench for lenses",
    "2M": "with a lens or a magnifier in the beam a blink is too late, and this is a bench for lenses",
}
_NEEDS_PROTECTION = (
    "it takes protective measures that no software gives: housing, interlocks, goggles, somebody in charge"
)
"""Classes are those of IEC 60825-1; 1 and 2 are what eyes stand that meet the beam by chance."""


def _keep_laser_dark(loaded: LoadedBench, devices: dict[str, Device]) -> None:
    """Puts in the place of the pointer what lights it only while it is held, and of cameras what waits for it."""
    name = loaded.file.roles.get(POINTER, "")
    light = devices.get(name)
    if isinstance(light, Light):
        devices[name] = pointer = Pointer(light)
        devices |= {key: UnlitCamera(camera, pointer) for key, camera in devices.items() if isinstance(camera, Camera)}


def _laser_problems(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[Problem]:
    """A laser has to be the pointer and nothing else, of a class that eyes stand, and dark where nobody holds it on."""
    problems = []
    roles = {role: name for role, name in loaded.file.roles.items() if isinstance(devices.get(name), Light)}
    for name, device in devices.items():
        if not isinstance(device, Light):
            continue
        laser_class, played = device.spec.laser_class, [role for role in roles if roles[role] == name]
        if laser_class is None:
            if POINTER in played:
                wanted = (
                    "the laser's class, 1 or 2, as its label has it: a light that is no laser needs no role `pointer`"
                )
                problems.append(loaded.source.problem(("devices", name, "laser_class"), wanted))
            continue
        if laser_class not in ("1", "2"):
            why = _OF_LASERS.get(laser_class, _NEEDS_PROTECTION)
            problems.append(
                loaded.source.problem(("devices", name, "laser_class"), f"1 or 2: of class {laser_class} {why}")
            )
        if played != [POINTER]:
            wanted = "the role `pointer`, and no other, for a laser: only that is on while it is held, and else dark"
            problems.append(loaded.source.problem(("devices", name, "laser_class"), wanted))
        if device.spec.safe_level > 0.0:
            problems.append(
                loaded.source.problem(("devices", name, "safe_level"), "0: a laser is dark where nobody holds it on")
            )
    return problems


def _article(noun: str) -> str:
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"


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
