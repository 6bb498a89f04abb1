"""What a step or verb asks of the bench by name or by choice, and that no bench like this one can do.

Asked before anything is done, by the bench that runs and by whoever looks ahead: both refuse in the same words.
"""

from __future__ import annotations

from typing import Literal

from benchd.assessments.sampling_positions import UNCOUNTED
from benchd.bench.assembly import Assembly
from benchd.devices import Axis, Camera, Device, Encoder, Gauge, Light, Meter
from benchd.errors import Refused

CARRIAGE = "carriage"
MOST_POINTS = 10_000
"""Of one sweep: an hour and more at the usual pace, a hundred times what a focus needs."""


Use = Literal["drive", "light", "expose", "read"]
"""What is done with a device that a verb names."""


def device_for(assembly: Assembly, use: Use, name: str) -> Device:
    """The device of that name, for that use. Raises Refused('unknown_name') where it is none for that."""
    match use:
        case "drive":
            return driven(assembly, name)
        case "light":
            return assembly.named(name, Light)
        case "expose":
            return assembly.named(name, Camera)
        case "read":
            return readable(assembly, name)


def driven(assembly: Assembly, name: str) -> Axis:
    """The carriage, by role or name: nothing else is driven."""
    axis = assembly.named(name, Axis)
    if axis is not assembly.named(CARRIAGE, Axis):
        raise Refused("unknown_name", f"Only the carriage is driven here, not '{name}'.")
    return axis


def readable(assembly: Assembly, name: str) -> Encoder | Gauge | Meter | Axis:
    """What gives a reading, by role or name."""
    device = assembly.devices.get(assembly.roles.get(name, name))
    if isinstance(device, Encoder | Gauge | Meter | Axis):
        return device
    known = [
        assembly.public_name(one)
        for one, device in assembly.devices.items()
        if isinstance(device, Encoder | Gauge | Meter | Axis)
    ]
    raise Refused("unknown_name", f"'{name}' cannot be read.", advice=f"Can be read: {', '.join(known)}.")


def by_degrees() -> Refused:
    """What is said of a place that the carriage does not have."""
    advice = "Give offset_um, depth_um, carriage_um or by_um."
    return Refused("bad_request", "The carriage moves by µm.", advice=advice)


def check_sweep(mode: str) -> None:
    """Raise Refused('bad_request') for a sweep that is not carried out yet."""
    if mode != "stepped":
        raise Refused("bad_request", "Only stepped sweeps are carried out.", advice="Leave the mode away.")


def check_points(points: int) -> None:
    """Raise Refused('bad_request') for a sweep that would not end within hours, nor fit into memory."""
    if points > MOST_POINTS:
        text = f"The sweep would have {f'{points:,} points' if points < UNCOUNTED else 'points without end'}"
        advice = "Give a shorter span_um, a longer step_um or fewer repeats."
        raise Refused("bad_request", f"{text}; {MOST_POINTS:,} are the most.", advice=advice)


def nothing_nominal() -> Refused:
    """What is said of a place that counts from nominal where there is no lens."""
    return Refused("not_driven", "There is no lens in the set-up, so nothing is nominal.", advice="Set one up.")


def nothing_to_follow() -> Refused:
    """What is said of a change after which the carriage should follow, and has nowhere to."""
    return Refused("bad_request", "There is no lens to follow.", advice="Leave 'follow' out.")


def no_lens() -> Refused:
    """What is said of a sweep whose f-number nobody knows."""
    return Refused("bad_request", "There is no lens in the set-up.", advice="Set it up first.")
