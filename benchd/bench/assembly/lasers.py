"""Lasers: which of them a bench may have, as what, and what keeps them dark."""

from __future__ import annotations

from collections.abc import Mapping

from benchd.bench.laser.pointer import Pointer
from benchd.bench.laser.unlit_camera import UnlitCamera
from benchd.devices import Camera, Device, Light
from benchd.files.bench_file import Role
from benchd.files.loading import LoadedBench
from benchd.files.problems import Problem

POINTER: Role = "pointer"
_OF_LASERS = {
    "1M": "with a lens or a magnifier in the beam it is not safe any more, and this is a bench for lenses",
    "2M": "with a lens or a magnifier in the beam a blink is too late, and this is a bench for lenses",
}
_NEEDS_PROTECTION = (
    "it takes protective measures that no software gives: housing, interlocks, goggles, somebody in charge"
)
"""Classes are those of IEC 60825-1; 1 and 2 are what eyes stand that meet the beam by chance."""


def keep_laser_dark(loaded: LoadedBench, devices: dict[str, Device]) -> None:
    """Puts in the place of the pointer what lights it only while it is held, and of cameras what waits for it."""
    name = loaded.file.roles.get(POINTER, "")
    light = devices.get(name)
    if isinstance(light, Light):
        devices[name] = pointer = Pointer(light)
        devices |= {key: UnlitCamera(camera, pointer) for key, camera in devices.items() if isinstance(camera, Camera)}


def laser_problems(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[Problem]:
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
