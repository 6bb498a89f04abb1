"""Advice on what a person can do to reduce a line of the budget, or one part of it."""

from __future__ import annotations

from collections.abc import Mapping

STATE_GAMMA = (
    "Say `linear: true` at the camera in the bench file where they are, or state there the `gamma` of its curve "
    "(2.2 for a usual video curve, 1 for a JPEG that is linear); and expose less where the bright field stands above "
    "88 % of full scale, as a camera bends there before it cuts off."
)

CURVE: Mapping[str, str] = {
    "sweep": "take more readings or give more light",
    "frequency": "measure the target's pitch, or the slit's width",
    "non-linear": STATE_GAMMA[0].lower() + STATE_GAMMA[1:-1],
}
"""Advice for the lines that any best focus has beside those of the chain."""

USE_A_SCALE = "use a scale: give an encoder the role `position`"

OF_A_ZERO = "with more remounts or by a setting ring that is certified closer: its finding's budget says which counts"

CHAIN: Mapping[str, str] = {
    "base": f"calibrate bench_zero again, {OF_A_ZERO}",
    "seat": f"calibrate seat_zero again, {OF_A_ZERO}",
    "adapter": "run seat_zero with these adapters on the bench, which leaves this line out",
    "joints": "clean the seats and run joint_study",
    "joints people": "agree on one way of seating a lens, then run joint_study again",
    "seatings": "clean the seats and look for burrs, then seat the lens again",
    "glass": "run glass_toggle again, with more repeats",
    "glass thickness": "run glass_toggle, the iris closed to f/5.6, and put the plate's own shift in force",
    "glass index": "run glass_toggle, the iris closed to f/5.6, and put the plate's own shift in force",
    "target_cover": "measure the cover's plates, write them with their u into the bench file, then find the zero again "
    "(bench_zero or seat_zero), as the old one was found through the cover as it was known",
    "thermal temperature": "measure the bench's temperature better, type it, and state u_temperature_K in the bench "
    "file",
    "thermal expansion": "let the bench settle nearer 20 °C",
    "stand-off": "clean the seats and look for burrs, then state a smaller `stand_off_um`",
    "wedge": "lap the adapter's seat, then measure its `points_um` anew",
    "sag": "support the lens, then state a smaller `sag`",
    "abbe": "bring the scale nearer the axis, and state where it is in `abbe` of the bench file",
    "gauge": "have the gauge overhauled, or use a better one; then find the zero again by it (bench_zero and "
    "adapter_length, or seat_zero)",
    "position": "work nearer the carriage position at which the zero was found: bench_zero or seat_zero by a setting "
    "ring of about that depth",
    "position subdivision": "state the scale's period_um in the bench file where it is not stated; else use a scale "
    "that divides better, and state its subdivision_um",
    "position periodic": f"run axis_test and accept what it finds; else {USE_A_SCALE}",
    "position backlash": f"run axis_test and accept what it finds; else {USE_A_SCALE}",
    "position homing": f"run home_repeat and accept what it finds; else {USE_A_SCALE}",
}
"""Advice for a line of the datum chain, by its name or the first word of that, and by its part if it has parts; only
measures that take effect. An arrangement gives the advice for the lines that it adds."""


def advice_for(line: str, part: str | None, improves: Mapping[str, str] | None = None) -> str:
    """Advice for a line of a budget, or for one part of it; `improves` is further advice, which takes precedence."""
    known = {**CHAIN, **CURVE}
    return own_advice(line, part, improves or {}) or own_advice(line, part, known) or "improve this line of the budget"


def own_advice(line: str, part: str | None, improves: Mapping[str, str]) -> str | None:
    """The advice in `improves` for a line or its part; None if there is none."""
    first = line.split(" ", maxsplit=1)[0]
    return next((improves[key] for key in (f"{first} {part}", line, first) if key in improves), None)
