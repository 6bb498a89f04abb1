"""The figures by which a carriage is moved and watched, as a bench file may state them, and where it may be sent."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.arrangements.places import Places
from benchd.devices import AxisSpec
from benchd.errors import Refused

SCREW_UM = 20.0
"""With an encoder: how much farther than it seems from elsewhere the motor may have to go, by its screw's error."""

HOMING_BEYOND_UM = 2000.0
"""How far outside its travel the carriage may go to find the switch."""


@dataclass(frozen=True, slots=True)
class MotionFigures:
    """How the carriage is moved: lengths in um, times in s, speed in um/s.

    `following_um` bounds motor against encoder in motion, where the path of `skew_s` is added to it (or of the time
    that reading them took, if that was longer), as the two are not read at the same instant. At rest they may have
    come apart since homing by `disagreement_um` (play, and the screw's error within a turn) and `pitch_rel` of the
    way. `still_um` is how far the carriage may creep at rest.
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

    def limits_um(self, spec: AxisSpec, shift_um: float | None) -> tuple[float, float]:
        """Where the carriage may be sent: inside the travel by its own scale, and by the motor's with its run-up.

        `shift_um` is the motor less the encoder at rest; None without an encoder, as the motor's steps decide then.
        """
        below, above = (self.approach_um, 0.0) if spec.approach == "from_below" else (0.0, self.approach_um)
        shift, spare = (0.0, 0.0) if shift_um is None else (shift_um, SCREW_UM)
        low, high = spec.low + below - shift + spare, spec.high - above - shift - spare
        return max(spec.low, low), min(spec.high, high)


def check_limits(carriage_um: float, limits_um: tuple[float, float], places: Places | None = None) -> None:
    """Raise Refused('limit') for a place outside the carriage's limits (um, lowest and highest).

    With the `places` of the set-up it is also told what offsets those come to, where that is another figure.
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
