"""Parameters of motion and its supervision, as a bench file may state them, and the limits of travel."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchd.arrangements.places import Places
from benchd.devices import AxisSpec
from benchd.errors import Refused

SCREW_UM = 20.0
"""With an encoder: how much farther than expected the motor may have to go, because of its screw's pitch error."""

NEEDS_NO_RUN_UP = 0.25
"""A way that is at least this share of the approach's run-up takes up the backlash as well."""

HOMING_BEYOND_UM = 2000.0
"""How far outside its travel the carriage may go to find the switch."""


@dataclass(frozen=True, slots=True)
class MotionFigures:
    """Parameters of motion: lengths in um, times in s, speed in um/s.

    `following_um` limits the following error in motion; the distance travelled in `skew_s` is added (or in the time
    that reading took, if longer), as motor and encoder are not read at the same instant. At rest they may differ from
    homing by `disagreement_um` (backlash, and the screw's error within a turn) plus `pitch_rel` of the distance.
    `still_um` is how far the carriage may creep at rest.
    """

    speed_um_s: float
    tolerance_um: float = 1.0
    settle_s: float = 0.15
    approach_um: float = 100.0
    following_um: float = 150.0
    disagreement_um: float = 60.0
    pitch_rel: float = 1e-3
    still_um: float = 25.0
    skew_s: float = 0.03

    def limits_um(
        self, spec: AxisSpec, shift_um: float | None, told_um: tuple[float, float] | None = None
    ) -> tuple[float, float]:
        """Limits of target positions: inside the travel by the carriage's scale, and, with the run-up, by the motor's.

        `shift_um` is motor minus encoder at rest; None without an encoder, when the motor's steps are the position.
        `told_um` is what the encoder can tell at all, the run-up in it, where that is less.
        """
        below, above = (self.approach_um, 0.0) if spec.approach == "from_below" else (0.0, self.approach_um)
        shift, spare = (0.0, 0.0) if shift_um is None else (shift_um, SCREW_UM)
        low, high = spec.low + below - shift + spare, spec.high - above - shift - spare
        if told_um is not None:
            low, high = max(low, told_um[0] + below + spare), min(high, told_um[1] - above - spare)
        return max(spec.low, low), min(spec.high, high)


def rest_to_rest_s(distance_um: float, speed_um_s: float, acceleration_um_s2: float) -> float:
    """Duration of a move from rest to rest (trapezoidal or triangular speed profile)."""
    distance, ramp = abs(distance_um), speed_um_s**2 / acceleration_um_s2
    if distance >= ramp:
        return distance / speed_um_s + speed_um_s / acceleration_um_s2
    return 2.0 * math.sqrt(distance / acceleration_um_s2)


def run_up_um(speed_um_s: float, acceleration_um_s2: float, approach_um: float) -> float:
    """The way on which a carriage that turns round comes to a constant speed: its ramp, and the backlash."""
    return speed_um_s**2 / (2.0 * acceleration_um_s2) + NEEDS_NO_RUN_UP * abs(approach_um)


def check_limits(carriage_um: float, limits_um: tuple[float, float], places: Places | None = None) -> None:
    """Raise Refused('limit') for a position outside the carriage's limits (um, lowest and highest).

    With the `places` of the set-up the text also gives the limits as offsets, if those differ.
    """
    low, high = limits_um
    if not low <= carriage_um <= high:
        reached = places.reached(low, high) if places is not None else ""
        raise Refused(
            "limit",
            f"{carriage_um:.1f} µm is outside the carriage's limits, {low:.0f} to {high:.0f} µm{reached}.",
            advice="Ask for a place inside; where nominal is outside, check adapters and lens in the set-up.",
            data={"asked_um": carriage_um, "low_um": low, "high_um": high},
        )
