"""Whether a controller is set as the bench file says: what differs is refused, with what to write where."""

from __future__ import annotations

import math

from benchd.devices import DeviceMismatch
from benchd_drivers.gcode_config import GcodeAnyAxisConfig, GcodeAxisConfig
from benchd_drivers.gcode_settings import SEARCH_TRAVELS, BoardSettings
from benchd_drivers.gcode_status import LETTERS

SLACK = 1.01
"""Settings are told in thousandths."""
ALWAYS_ON = 255
"""Of $1, the delay in ms after which idle motors are switched off: never."""


def fits(name: str, config: GcodeAnyAxisConfig, settings: BoardSettings, *, by_letter: bool = False) -> None:
    """Raises DeviceMismatch where the axis would not be where, or not as fast, as the bench file has it. `by_letter`:
    it is homed by its letter."""
    if not settings.homes:
        raise DeviceMismatch(
            f"{name}: homing is switched off in the controller ($22=0), and an axis that was not homed does not move.",
            advice="Write `$22=1` to it once its home switch is connected.",
            device=name,
        )
    if settings.start_lines:
        first = next(iter(settings.start_lines.values()))
        raise DeviceMismatch(
            f"{name}: the controller carries out '{first}' by itself after each reset and each "
            "homing ($N), which nobody has asked for then.",
            advice="Write `$N0=` and `$N1=` to it, with nothing behind.",
            device=name,
        )
    motion_fits(name, config, settings)
    home = settings.home_of(config.letter)
    if home is not None:
        home_fits(name, config, config.place_of(home[0]), home[1])
    space = settings.space_of(config.letter)
    if space is not None:
        low, high = sorted(config.place_of(end) for end in space)
        if config.travel[0] < low - config.tolerance or config.travel[1] > high + config.tolerance:
            number = 130 + LETTERS.index(config.letter)
            raise _mismatch(
                name,
                f"its soft limits ($20=1, ${number}={settings.values[number]:g}) are at {low:g} and {high:g} "
                f"{config.SYMBOL}, and {config.key('travel')} is {_span(config.travel)}",
                f"Write {config.key('travel')} inside of them, or set ${number} to what the machine has.",
            )
    search_fits(name, config, settings, by_letter=by_letter)


def motion_fits(name: str, config: GcodeAnyAxisConfig, settings: BoardSettings) -> None:
    """Speed, acceleration and step. Slower than stated it would be reset in the midst of stopping."""
    unit = config.per_unit
    index, symbol = LETTERS.index(config.letter), config.SYMBOL
    speed, gain, steps = (settings.of_axis(base, config.letter) for base in (110, 120, 100))
    if speed is not None and config.top_speed > SLACK * speed * unit / 60:
        raise _mismatch(
            name,
            f"it goes at {_down(speed * unit / 60, config)} {symbol}/s at most (${110 + index}={speed:g} per minute), "
            f"and {config.key('top_speed')} is {config.top_speed:g}",
            f"Write `{config.key('top_speed')}: {_down(speed * unit / 60, config)}`, or "
            f"`${110 + index}={config.top_speed * 60 / unit:g}` to it.",
        )
    if gain is not None and config.acceleration > SLACK * gain * unit:
        raise _mismatch(
            name,
            f"it accelerates by {_down(gain * unit, config)} {symbol}/s² (${120 + index}={gain:g}), and "
            f"{config.key('acceleration')} is {config.acceleration:g}",
            f"Write `{config.key('acceleration')}: {_down(gain * unit, config)}`, or "
            f"`${120 + index}={config.acceleration / unit:g}` to it.",
        )
    if steps and unit / steps > SLACK * config.resolution:
        raise _mismatch(
            name,
            f"its steps are {unit / steps:.3g} {symbol} (${100 + index}={steps:g} a unit), and "
            f"{config.key('resolution')} is {config.resolution:g}",
            f"Write `{config.key('resolution')}: {unit / steps:.3g}`, or set ${100 + index} right.",
        )


def search_fits(name: str, config: GcodeAnyAxisConfig, settings: BoardSettings, *, by_letter: bool) -> None:
    """The controller's own search must find the switch from either end of the travel."""
    search, home = settings.search_of(config.letter, by_letter=by_letter), settings.home_of(config.letter)
    if search is None:
        return
    reach, longest = search[0] * config.per_unit, search[1]
    low, high = config.travel
    way = high - low
    if home is not None:  # a place beyond the end nearer to the switch, which is a pull-off further still
        home_at = config.place_of(home[0])
        way = max(high, home_at) - min(low, home_at) + settings.values[27] * config.per_unit
    if reach >= way - config.tolerance:
        return
    number = 130 + LETTERS.index(config.letter)
    raise _mismatch(
        name,
        f"homing searches {reach:g} {config.SYMBOL} for the switch ({SEARCH_TRAVELS:g} times the greatest travel, "
        f"${longest}={settings.values[longest]:g}), and from the far end of {config.key('travel')} "
        f"{_span(config.travel)} it is {way:g} {config.SYMBOL} away",
        f"Write `${number}={math.ceil(way / config.per_unit)}` to it, or what the machine has if that is more.",
    )


def home_fits(name: str, config: GcodeAnyAxisConfig, home_at: float, switch_at_plus: bool | None) -> None:
    """The way from homing into the travel must not lead to the switch, nor the travel reach beyond it.

    `home_at` is the place after homing, `switch_at_plus` whether the switch lies towards the controller's growing
    numbers (None: nobody knows).
    """
    low, high = config.travel
    if switch_at_plus is None:
        if not low - config.tolerance <= home_at <= high + config.tolerance:
            raise _mismatch(
                name,
                f"after homing it stands at {home_at:g} {config.SYMBOL}, outside {config.key('travel')} "
                f"{_span(config.travel)}, and it does not tell on which side its switch is",
                f"Write {config.key('travel')} so that this place lies inside.",
            )
        return
    switch_is_high = switch_at_plus == (config.scale > 0)
    wrong = high > home_at + config.tolerance if switch_is_high else low < home_at - config.tolerance
    if not wrong:
        return
    length = high - low
    there = (home_at - length, home_at) if switch_is_high else (home_at, home_at + length)
    side, other, turned = _sides(config, switch_is_high)
    raise _mismatch(
        name,
        f"after homing it stands at {home_at:g} {config.SYMBOL} with its switch on the {side} side, and "
        f"{config.key('travel')} {_span(config.travel)} leads into that switch",
        f"Write `{config.key('travel')}: {_span(there)}`; or, if its numbers grow the other way, {turned}. `zero_at` "
        f"says at which of its numbers it reads 0, so that the travel lies on the {other} side of the switch in "
        "numbers that you like.",
    )


def _sides(config: GcodeAnyAxisConfig, high: bool) -> tuple[str, str, str]:
    """The switch's side, the other one, and what turns the axis about."""
    if isinstance(config, GcodeAxisConfig):
        sides = ("deeper", "shallower")
        turned = f"`positive: {sides[config.positive == 'deeper']}`"
    else:
        sides, turned = ("upper", "lower"), "turn it about by $3"
    return sides[not high], sides[high], turned


def unwise(letter: str, settings: BoardSettings) -> str:
    """What of its settings an axis does without and a person should know; empty where there is nothing."""
    told = settings.values
    found = []
    if told.get(1, ALWAYS_ON) != ALWAYS_ON:
        found.append(
            f"its motors are off {told[1]:g} ms after each motion ($1), and may slip by steps that nobody sees, or let "
            f"a carriage that stands upright down: write $1={ALWAYS_ON}, if they stay cool enough"
        )
    if told.get(20) == 0:
        found.append("its own soft limits are off ($20=0): a number that is garbled on its way is obeyed: write $20=1")
    if told.get(21) == 0:
        found.append("its limit switches stop nothing but homing ($21=0): write $21=1")
    return f"The controller works, with a reservation: {'; '.join(found)}." if found else ""


def _down(value: float, config: GcodeAnyAxisConfig) -> str:
    """Rounded down, as fine as a bench file needs it."""
    part = 1.0 if config.UNIT == "um" else 0.01
    return f"{math.floor(value / part + 1e-9) * part:.10g}"


def _span(travel: tuple[float, float]) -> str:
    return "[" + ", ".join(f"{end:.6g}" for end in travel) + "]"


def _mismatch(name: str, what: str, advice: str) -> DeviceMismatch:
    return DeviceMismatch(
        f"{name}: the controller is set otherwise than the bench file says: {what}.", advice=advice, device=name
    )
