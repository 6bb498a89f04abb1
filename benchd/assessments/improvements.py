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
    "frequency": "measure the target's pitch",
    "non-linear": STATE_GAMMA[0].lower() + STATE_GAMMA[1:-1],
}
"""Advice for the lines that any best focus has beside those of the chain."""

CHAIN: Mapping[str, str] = {
    "base": "calibrate bench_zero again, with more remounts",
    "adapter": "run seat_zero with these adapters on the bench, which leaves this line out",
    "joints": "clean the seats; state u_um of `joint` in the bench file as repeated seatings of yours show it",
    "glass": "run glass_toggle again, with more repeats",
    "glass thickness": "run glass_toggle, the iris closed to f/5.6, and put the plate's own shift in force",
    "glass index": "run glass_toggle, the iris closed to f/5.6, and put the plate's own shift in force",
    "target_cover": "measure the cover's plates and write them with their u into the bench file",
    "thermal temperature": "measure the bench's temperature better and state u_temperature_K in the bench file",
    "thermal expansion": "let the bench settle nearer 20 °C",
    "stand-off": "clean the seats and look for burrs, then state a smaller `stand_off_um`",
    "wedge": "lap the adapter's seat, then measure its `points_um` anew",
    "sag": "support the lens, then state a smaller `sag`",
    "abbe": "bring the scale nearer the axis",
    "gauge": "have the gauge overhauled, or use a better one; then bench_zero and adapter_length again",
    "position": "work nearer the carriage position of the base calibration",
}
"""Advice for a line of the datum chain, by the first word of its name, and by its part if it has parts; only measures
that take effect. An arrangement gives the advice for the lines that it adds."""


def advice_for(line: str, part: str | None, improves: Mapping[str, str] | None = None) -> str:
    """Advice for a line of a budget, or for one part of it; `improves` is further advice, which takes precedence."""
    known = {**CHAIN, **CURVE}
    return own_advice(line, part, improves or {}) or own_advice(line, part, known) or "improve this line of the budget"


def own_advice(line: str, part: str | None, improves: Mapping[str, str]) -> str | None:
    """The advice in `improves` for a line or its part; None if there is none."""
    first = line.split(" ", maxsplit=1)[0]
    return improves.get(f"{first} {part}", improves.get(first))
