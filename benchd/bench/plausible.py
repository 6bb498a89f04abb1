"""Plausibility of device figures: values that cannot be right, and values that are unlikely.

A wrong value is a problem and keeps the bench from starting; an unlikely one is a note. A factor of 1000 is named.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from benchd.devices import Axis, Camera, Device, Encoder, Gauge, Light
from benchd.files.bench_file import BenchFile
from benchd.files.bounds import THOUSAND, Within, beside, off_by_thousand
from benchd.files.known_to import U_GAIN, U_SCALE
from benchd.files.loading import LoadedBench
from benchd.files.problems import Problem

TRAVEL = Within(500.0, 3e6, "um")
SPEED = Within(10.0, 1e6, "um/s")
RUN_UP_S = (1e-3, 20.0)
STEP = Within(1e-4, 100.0, "um")
GAUGE_RANGE = Within(10.0, 200e3, "um")
ERROR = Within(0.0, 100.0, "um")
PERIOD = Within(0.05, 10e3, "um")
PULSES = Within(10.0, 1e6, "Hz")
EXPANSION = Within(-1e-5, 2e-4, "1/K")
SHORT_BASE_UM = 1000.0
PIXEL = Within(0.3, 200.0, "um")


def implausible(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[Problem]:
    """Problems with figures of the devices in their roles, whatever their driver, and with the bench file's demands."""
    found: list[Problem] = []
    for role, name in loaded.file.roles.items():
        for key, value, within in _figures(role, devices.get(name)):
            if value is not None and not within.holds(value):
                what = f"{_WORDS.get(key, 'a number')} {within.ends}, not {value:.12g}{within.hint(value)}"
                found.append(loaded.source.problem(("devices", name, key), what))
    return [*found, *_base(loaded), *_pixel(loaded, devices), *_tolerance(loaded, devices)]


def unlikely(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[str]:
    """Notes on values that are allowed but unlikely: an uncertainty or a bound of exactly 0."""
    found = []
    uncertainties: list[tuple[tuple[str, ...], float | None]] = []
    for role, name in loaded.file.roles.items():
        keys = {"position": "u_scale", "indicator": "u_gain", "detector": "u_pixel_um"}
        if role in keys:
            spec = getattr(devices[name], "spec", None)  # a meter in the role detector has none
            uncertainties.append((("devices", name, keys[role]), getattr(spec, keys[role], None)))
    if loaded.file.steps is not None:
        uncertainties += [(("steps", key), value) for key, value in loaded.file.steps if key.startswith("u_")]
    for at, value in uncertainties:
        if value == 0.0:
            found.append(loaded.source.problem(at, "taken as known exactly, which nothing is"))
    found += [loaded.source.problem(at, "taken as none, which hardly is") for at in _zero_bounds(loaded.file)]
    for adapter in loaded.records.adapters.values():
        points = adapter.given.points_um
        if len(points) > 1 and min(points) == max(points):
            source = loaded.records.sources["adapter", adapter.id]
            found.append(source.problem(("given", "points_um"), "taken as no wedge at all, which hardly is"))
    return [str(problem) for problem in found]


def _zero_bounds(file: BenchFile) -> list[tuple[str, ...]]:
    """Keys of bounds on unmeasured effects that are stated as exactly 0."""
    bounds: list[tuple[tuple[str, ...], float | None]] = [(("joint", "stand_off_um"), file.joint.stand_off_um)]
    if file.abbe is not None:
        bounds += [(("abbe", key), getattr(file.abbe, key)) for key in ("pitch_arcmin", "yaw_arcmin")]
    if file.sag is not None:
        bounds.append((("sag", "most_um_per_N"), file.sag.most_um_per_N))
    return [at for at, value in bounds if value == 0.0]


def _base(loaded: LoadedBench) -> list[Problem]:
    """A base shorter than 1 mm is taken to be in a wrong unit, even if some stack of adapters would reach."""
    base = loaded.file.base.given.length_um
    if not 0.0 < abs(base) < SHORT_BASE_UM:
        return []
    likely = f"{base * THOUSAND:.12g} is meant, a factor of 1000?"
    wrong = f"0, or at least {SHORT_BASE_UM:g} µm: the target would stand in the base's face at carriage 0; {likely}"
    return [loaded.source.problem(("base", "given", "length_um"), wrong)]


_WORDS = {
    "travel_um": "a way",
    "range_um": "a range",
    "acceleration_um_s2": f"an acceleration to top speed within {RUN_UP_S[0]:g} to {RUN_UP_S[1]:g} s,",
}


def _figures(role: str, device: Device | None) -> Iterator[tuple[str, float | None, Within]]:
    if role == "carriage" and isinstance(device, Axis):
        spec = device.spec
        yield "travel_um", spec.high - spec.low, TRAVEL
        yield "top_speed_um_s", spec.top_speed, SPEED
        if SPEED.low <= spec.top_speed <= SPEED.high:
            shortest, longest = RUN_UP_S
            within = Within(spec.top_speed / longest, spec.top_speed / shortest, "um/s2")
            yield "acceleration_um_s2", spec.acceleration, within
        yield "resolution_um", spec.resolution, STEP
    elif role == "position" and isinstance(device, Encoder):
        yield "resolution_um", device.spec.resolution_um, STEP
        yield "subdivision_um", device.spec.subdivision_um, ERROR
        yield "period_um", device.spec.period_um, PERIOD
        yield "u_scale", device.spec.u_scale, U_SCALE
        yield "alpha_per_K", device.spec.alpha_per_K, EXPANSION
    elif role == "indicator" and isinstance(device, Gauge):
        yield "range_um", device.spec.high_um - device.spec.low_um, GAUGE_RANGE
        yield "resolution_um", device.spec.resolution_um, STEP
        yield "hysteresis_um", device.spec.hysteresis_um, ERROR
        yield "u_gain", device.spec.u_gain, U_GAIN
    elif role == "detector" and isinstance(device, Camera):
        yield "pixel_um", device.spec.pixel_um, PIXEL
    elif role == "target_light" and isinstance(device, Light):
        yield "pwm_hz", device.spec.pwm_hz, PULSES


def _pixel(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[Problem]:
    name = loaded.file.roles.get("detector", "")
    camera = devices.get(name)
    if not isinstance(camera, Camera) or camera.spec.pixel_um is None or camera.spec.u_pixel_um is None:
        return []
    try:
        beside(camera.spec.u_pixel_um, camera.spec.pixel_um, "pixel_um", "u_pixel_um", least=1e-6)
    except ValueError as wrong:
        return [loaded.source.problem(("devices", name, "u_pixel_um"), str(wrong).removeprefix("u_pixel_um: "))]
    return []


def _tolerance(loaded: LoadedBench, devices: Mapping[str, Device]) -> list[Problem]:
    """The motion tolerance cannot be smaller than half a step of the position measurement."""
    roles = loaded.file.roles
    encoder, axis = devices.get(roles.get("position", "")), devices.get(roles.get("carriage", ""))
    if isinstance(encoder, Encoder):
        step, who = encoder.spec.resolution_um, "position"
    elif isinstance(axis, Axis):
        step, who = axis.spec.resolution, "carriage"
    else:
        return []
    if loaded.file.motion.tolerance_um >= step / 2.0:
        return []
    wrong = f"at least {step / 2.0:g} µm, half a step of what tells the {who}"
    within = Within(step / 2.0, math.inf)
    return [
        loaded.source.problem(
            ("motion", "tolerance_um"), wrong + off_by_thousand(loaded.file.motion.tolerance_um, within)
        )
    ]
