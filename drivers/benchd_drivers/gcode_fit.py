"""Whether a controller is set as the bench file says: what differs is refused, with what to write where."""

from __future__ import annotations

import math

from benchd.devices import DeviceMismatch
from benchd_drivers.gcode_config import GcodeAxisConfig
from benchd_drivers.gcode_settings import SEARCH_TRAVELS, BoardSettings
from benchd_drivers.gcode_status import LETTERS

SLACK = 1.01
"""Settings are told in thousandths."""


def fits(name: str, config: GcodeAxisConfig, settings: BoardSettings) -> None:
    """Raises DeviceMismatch where the axis would not be where, or not as fast, as the bench file has it."""
    if not settings.homes:
        raise DeviceMismatch(
            f"{name}: homing is switched off in the controller ($22=0), and an axis that was not homed does not move.",
            advice="Write `$22=1` to it once its home switch is connected.",
            device=name,
        )
    motion_fits(name, config, settings)
    home = settings.home_of(config.letter)
    if home is not None:
        home_fits(name, config, config.um_of(home[0]), home[1])
    space = settings.space_of(config.letter)
    if space is not None:
        low, high = sorted(config.um_of(end) for end in space)
        if config.travel_um[0] < low - config.tolerance_um or config.travel_um[1] > high + config.tolerance_um:
            number = 130 + LETTERS.index(config.letter)
            raise _mismatch(
                name,
                f"its soft limits ($20=1, ${number}={settings.values[number]:g}) are at {low:g} and {high:g} µm, and "
                f"travel_um is {_span(config.travel_um)}",
                f"Write travel_um inside of them, or set ${number} to what the machine has.",
            )
    search_fits(name, config, settings)


def motion_fits(name: str, config: GcodeAxisConfig, settings: BoardSettings) -> None:
    """Speed, acceleration and step. Slower than stated it would be reset in the midst of stopping."""
    unit = config.um_per_unit
    index = LETTERS.index(config.letter)
    speed, gain, steps = (settings.of_axis(base, config.letter) for base in (110, 120, 100))
    if speed is not None and config.top_speed_um_s > SLACK * speed * unit / 60:
        raise _mismatch(
            name,
            f"it goes at {speed * unit / 60:.0f} µm/s at most (${110 + index}={speed:g} per minute), and "
            f"top_speed_um_s is {config.top_speed_um_s:g}",
            f"Write `top_speed_um_s: {int(speed * unit / 60)}`, or "
            f"`${110 + index}={config.top_speed_um_s * 60 / unit:g}` to it.",
        )
    if gain is not None and config.acceleration_um_s2 > SLACK * gain * unit:
        raise _mismatch(
            name,
            f"it accelerates by {gain * unit:.0f} µm/s² (${120 + index}={gain:g}), and acceleration_um_s2 is "
            f"{config.acceleration_um_s2:g}",
            f"Write `acceleration_um_s2: {int(gain * unit)}`, or "
            f"`${120 + index}={config.acceleration_um_s2 / unit:g}` to it.",
        )
    if steps and unit / steps > SLACK * config.resolution_um:
        raise _mismatch(
            name,
            f"its steps are {unit / steps:.3g} µm (${100 + index}={steps:g} a unit), and resolution_um is "
            f"{config.resolution_um:g}",
            f"Write `resolution_um: {unit / steps:.3g}`, or set ${100 + index} right.",
        )


def search_fits(name: str, config: GcodeAxisConfig, settings: BoardSettings) -> None:
    """The controller's own search must find the switch from either end of `travel_um`."""
    search, home = settings.search_of(config.letter), settings.home_of(config.letter)
    if search is None:
        return
    search_um, longest = search[0] * config.um_per_unit, search[1]
    low, high = config.travel_um
    way_um = high - low
    if home is not None:  # a place beyond the end nearer to the switch, which is a pull-off further still
        home_um = config.um_of(home[0])
        way_um = max(high, home_um) - min(low, home_um) + settings.values[27] * config.um_per_unit
    if search_um >= way_um - config.tolerance_um:
        return
    number = 130 + LETTERS.index(config.letter)
    raise _mismatch(
        name,
        f"homing searches {search_um:g} µm for the switch ({SEARCH_TRAVELS:g} times the greatest travel, "
        f"${longest}={settings.values[longest]:g}), and from the far end of travel_um "
        f"{_span(config.travel_um)} it is {way_um:g} µm away",
        f"Write `${number}={math.ceil(way_um / config.um_per_unit)}` to it, or what the machine has if that is more.",
    )


def home_fits(name: str, config: GcodeAxisConfig, home_um: float, switch_at_plus: bool | None) -> None:
    """The way from homing into `travel_um` must not lead to the switch, nor the travel reach beyond it.

    `home_um` is the place after homing, `switch_at_plus` whether the switch lies towards the controller's growing
    numbers (None: nobody knows).
    """
    low, high = config.travel_um
    if switch_at_plus is None:
        if not low - config.tolerance_um <= home_um <= high + config.tolerance_um:
            raise _mismatch(
                name,
                f"after homing it stands at {home_um:g} µm, outside travel_um {_span(config.travel_um)}, and it does "
                "not tell on which side its switch is",
                "Write travel_um so that this place lies inside.",
            )
        return
    switch_is_high = switch_at_plus == (config.um > 0)
    wrong = high > home_um + config.tolerance_um if switch_is_high else low < home_um - config.tolerance_um
    if not wrong:
        return
    side, other = ("deeper", "shallower") if switch_is_high else ("shallower", "deeper")
    length = high - low
    there = (home_um - length, home_um) if switch_is_high else (home_um, home_um + length)
    raise _mismatch(
        name,
        f"after homing it stands at {home_um:g} µm with its switch on the {side} side, and travel_um "
        f"{_span(config.travel_um)} leads into that switch",
        f"Write `travel_um: {_span(there)}`; or, if its numbers grow the other way, `positive: "
        f"{'shallower' if config.positive == 'deeper' else 'deeper'}`. `zero_at` says at which of its numbers the "
        f"carriage reads 0, so that the travel lies on the {other} side of the switch in numbers that you like.",
    )


def _span(travel_um: tuple[float, float]) -> str:
    return "[" + ", ".join(f"{end:.6g}" for end in travel_um) + "]"


def _mismatch(name: str, what: str, advice: str) -> DeviceMismatch:
    return DeviceMismatch(
        f"{name}: the controller is set otherwise than the bench file says: {what}.", advice=advice, device=name
    )
