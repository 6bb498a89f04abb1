"""Supervision of motor against encoder: at rest since homing, in motion (following error), and creep at rest."""

from __future__ import annotations

from typing import NoReturn

from benchd.bench.motion.figures import MotionFigures
from benchd.bench.motion.trust import Trust
from benchd.devices import DeviceError, HomeFailed


class FollowingError:
    """Compares the positions of motor and encoder (um); trust is lost if they disagree.

    At rest their difference is compared with that at homing, not with that at the last rest, so that many small losses
    of steps, or a frozen scale chased in small steps, are detected as well.
    """

    def __init__(self, figures: MotionFigures, trust: Trust) -> None:
        self._figures = figures
        self._trust = trust
        self._zero = (0.0, 0.0)  # motor minus encoder at homing, and the position there
        self._homed = False
        self.shift_um = 0.0
        """Motor minus encoder, as last measured at rest."""
        self.rest_um: float | None = None
        """Encoder position where the carriage came to rest; None in motion."""

    def set_reference(self) -> None:
        """Take the present difference as that at homing, for all later comparisons.

        Raises HomeFailed if it is another one than at the last homing. Homing sets the motor's count at the switch; a
        scale that has miscounted stays as it is, since its mark counts as seen from then until it is switched off.
        """
        found = (self.shift_um, self.rest_um or 0.0)
        if self._homed:
            by_um = found[0] - self._zero[0]
            if abs(by_um) > self._allowance(found[1]):
                raise HomeFailed(
                    f"At the switch motor and encoder disagree by {by_um:+.0f} µm with the homing before.",
                    advice="Switch the encoder's counter off and on and home again; "
                    "where the switch was moved or changed, start benchd anew.",
                    device="carriage",
                    data={"disagreement_um": by_um},
                )
        self._zero, self._homed = found, True

    def _allowance(self, place_um: float) -> float:
        return self._figures.disagreement_um + self._figures.pitch_rel * abs(place_um - self._zero[1])

    def check_at_rest(self, motor_um: float, place_um: float) -> None:
        """Update the difference at rest. Raises DeviceError if it has changed too much since homing."""
        shift = motor_um - place_um
        was = self._zero[0]
        if self._trust.homed and abs(shift - was) > self._allowance(place_um):
            self._disagree(shift - was)
        self.shift_um = shift
        self.rest_um = place_um

    def check_in_motion(self, motor_um: float, place_um: float, apart_s: float) -> None:
        """Check the following error; the two positions were read within `apart_s`. Raises DeviceError if too large."""
        apart_s = max(apart_s, self._figures.skew_s)
        allowance = self._figures.following_um + self._figures.speed_um_s * apart_s
        apart = motor_um - place_um - self.shift_um
        if abs(apart) > allowance:
            self._disagree(apart)

    def check_creep(self, place_um: float) -> None:
        """Check for creep at rest; trust is lost if the carriage has moved too far since it came to rest."""
        if self.rest_um is not None and abs(place_um - self.rest_um) > self._figures.still_um:
            moved = place_um - self.rest_um
            self.rest_um = place_um
            self._trust.lose("stall", f"the carriage moved {moved:+.0f} µm unasked")

    def _disagree(self, by_um: float) -> NoReturn:
        why = f"motor and encoder disagree by {by_um:+.0f} µm"
        self._trust.lose("stall", why)
        raise DeviceError(
            f"Lost steps or a slipping coupling: {why}.",
            advice="Look for an obstacle, then home again.",
            device="carriage",
            data={"disagreement_um": by_um},
        )
