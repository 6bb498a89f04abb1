"""Refusals of requests that this bench cannot carry out at all, whatever its state.

Used both by the running bench and by predictions, so that both refuse in the same words.
"""

from __future__ import annotations

from typing import Literal

from benchd.assessments.sampling_positions import UNCOUNTED
from benchd.bench.assembly import ROTARY, Assembly
from benchd.detectors.detector import Detector
from benchd.devices import Axis, Camera, Device, Encoder, Gauge, Light, Meter
from benchd.errors import Refused

CARRIAGE = "carriage"
MOST_POINTS = 10_000
"""Most points of one sweep: more than an hour at the usual pace, a hundred times what finding focus needs."""


Use = Literal["drive", "light", "expose", "read"]
"""What is done with a device that a verb names."""


def device_for(assembly: Assembly, use: Use, name: str) -> Device:
    """The device of that name. Raises Refused('unknown_name') if it does not fit that use."""
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
    """The carriage or what turns, by role or name: an axis without a role is not driven. Raises
    Refused('unknown_name')."""
    axis = assembly.named(name, Axis)
    roles = [role for role in (CARRIAGE, *ROTARY) if assembly.in_role(role, Axis) is not None]
    if axis is not assembly.named(CARRIAGE, Axis) and assembly.public_name(axis.name) not in roles:
        raise Refused("unknown_name", f"Only {' and '.join(roles)} are driven here, not '{name}'.")
    return axis


def too_fast_by_hand(speed_um_s: float, fastest_um_s: float) -> Refused:
    """The refusal to move faster by hand than the bench file allows."""
    return Refused(
        "limit",
        f"{abs(speed_um_s):g} µm/s is faster than this bench is moved by hand: {fastest_um_s:g} µm/s at most.",
        advice="Ask for less, or raise motion.jog_um_s in the bench file.",
        data={"asked_um_s": speed_um_s, "fastest_um_s": fastest_um_s},
    )


def readable(assembly: Assembly, name: str) -> Encoder | Gauge | Meter | Axis:
    """A device that gives readings, by role or name. Raises Refused('unknown_name')."""
    device = assembly.devices.get(assembly.roles.get(name, name))
    if isinstance(device, Encoder | Gauge | Meter | Axis):
        return device
    known = [
        assembly.public_name(key)
        for key, device in assembly.devices.items()
        if isinstance(device, Encoder | Gauge | Meter | Axis)
    ]
    raise Refused("unknown_name", f"'{name}' cannot be read.", advice=f"Can be read: {', '.join(known)}.")


def no_motor(name: str) -> Refused:
    """The refusal to ask what has no motor for its count."""
    return Refused("bad_request", f"'{name}' has no motor that counts.", advice="Leave `motor` away.")


def check_unit(device: object, name: str, *, degrees: bool, sided: bool) -> None:
    """Raise Refused('bad_request') for an angle of what goes along, or a length, or a side, of what turns."""
    turns = isinstance(device, Axis) and device.spec.unit == "deg"
    if degrees and not turns:
        advice = "Give offset_um, depth_um, carriage_um or by_um."
        raise Refused("bad_request", "The carriage moves by µm.", advice=advice)
    if turns and not degrees:
        raise Refused("bad_request", f"'{name}' turns by degrees.", advice="Give to_deg or by_deg.")
    if turns and sided:
        text = f"'{name}' comes to its places from the side that its device states, always."
        raise Refused("bad_request", text, advice="Leave `approach` away.")


def check_goes_along(device: Axis, name: str) -> None:
    """Raise Refused('bad_request') for what turns: it is not moved by hand."""
    if device.spec.unit == "deg":
        text = f"'{name}' turns, and by hand the carriage alone is moved, by µm/s."
        raise Refused("bad_request", text, advice="Turn it with `move`, by to_deg or by_deg.")


def nowhere(name: str) -> Refused:
    """The refusal to go on from where nobody knows that it stands."""
    return Refused("not_homed", f"It is not known where {name} stands, to go on from there.", advice="Say where to go.")


def check_continuous(assembly: Assembly, detector: Detector) -> None:
    """Raise Refused('bad_request') on a bench that cannot match readings taken in motion to positions."""
    if assembly.in_role("position", Encoder) is None:
        raise Refused(
            "bad_request",
            "A continuous sweep needs a scale in the role `position`: the motor's steps do not tell where the carriage "
            "is while it moves.",
            advice="Leave the mode away: a stepped sweep approaches each place from one side.",
        )
    detector.check_streams()


def check_points(points: int) -> None:
    """Raise Refused('bad_request') for a sweep that would take hours and not fit into memory."""
    if points > MOST_POINTS:
        text = f"The sweep would have {f'{points:,} points' if points < UNCOUNTED else 'points without end'}"
        advice = "Give a shorter span_um, a longer step_um or fewer repeats."
        raise Refused("bad_request", f"{text}; {MOST_POINTS:,} are the most.", advice=advice)


def nothing_nominal() -> Refused:
    """The refusal of a position relative to nominal without a lens."""
    return Refused("not_driven", "There is no lens in the set-up, so nothing is nominal.", advice="Set one up.")


def nothing_to_follow() -> Refused:
    """The refusal of `follow` without a lens."""
    return Refused("bad_request", "There is no lens to follow.", advice="Leave 'follow' out.")


def no_lens() -> Refused:
    """The refusal of a sweep without an f-number."""
    return Refused("bad_request", "There is no lens in the set-up.", advice="Set it up first.")
