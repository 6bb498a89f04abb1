"""Which device may play which role; what keeps one from it, at its line of the bench file."""

from __future__ import annotations

from collections.abc import Mapping

from benchd.arrangements.registry import arrangement
from benchd.bench.interlock import EMERGENCY_STOP, GUARDING
from benchd.detectors.registry import kinds as detector_kinds
from benchd.devices import Axis, Camera, Device, Encoder, Gauge, Light, Meter
from benchd.errors import Refused
from benchd.files.bench_file import Role
from benchd.files.loading import LoadedBench
from benchd.files.problems import Problem
from benchd.quantities import converted

CELSIUS = ("degC", "°C", "C")

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


def role_problems(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[Problem]:
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


def _article(noun: str) -> str:
    return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"
