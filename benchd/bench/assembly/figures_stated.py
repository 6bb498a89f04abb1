"""Figures of devices that a finding's budget goes by: whoever writes a bench file states them."""

from __future__ import annotations

from collections.abc import Mapping

from benchd.bench.gauge_position import GaugeScale
from benchd.devices import Camera, Device, Encoder, Gauge
from benchd.files.bench_file import Role
from benchd.files.loading import LoadedBench
from benchd.files.problems import Problem


def figures_not_stated(loaded: LoadedBench, devices: Mapping[str, Device], *, by_lens: bool) -> list[Problem]:
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
