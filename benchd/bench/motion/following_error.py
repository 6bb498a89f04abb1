"""Whether motor and encoder agree: at rest since homing, on the way, and while nothing should move."""

from __future__ import annotations

from typing import NoReturn

from benchd.bench.motion.figures import MotionFigures
from benchd.bench.motion.trust import Trust
from benchd.devices import DeviceError


class FollowingError:
    """Compares the motor's place with the encoder's (um); where they have come apart, trust is lost.

    At rest they are held against homing and not against the last rest, so that many small losses, or a frozen scale
    that is chased in small steps, are seen as well.
    """

    def __init__(self, figures: MotionFigures, trust: Trust) -> None:
        self._figures = figures
        self._trust = trust
        self._zero = (0.0, 0.0)  # motor less encoder at homing, and the place it was seen at
        self.shift_um = 0.0
        """Motor less encoder, as last seen at rest."""
        self.rest_um: float | None = None
        """Where the carriage came to rest, by the encoder; None in motion."""

    def begin(self) -> None:
        """Homing ends here: from now on they are held against this."""
        self._zero = (self.shift_um, self.rest_um or 0.0)

    def at_rest(self, motor_um: float, place_um: float) -> None:
        """Learn the shift between them. Raises DeviceError where it is another than at homing."""
        shift = motor_um - place_um
        was, at_um = self._zero
        allowance = self._figures.disagreement_um + self._figures.pitch_rel * abs(place_um - at_um)
        if self._trust.homed and abs(shift - was) > allowance:
            self._disagree(shift - was)
        self.shift_um = shift
        self.rest_um = place_um

    def in_motion(self, motor_um: float, place_um: float, apart_s: float) -> None:
        """The following error, the two read within `apart_s`. Raises DeviceError where it is too large."""
        apart_s = max(apart_s, self._figures.skew_s)
        allowance = self._figures.following_um + self._figures.speed_um_s * apart_s
        apart = motor_um - place_um - self.shift_um
        if abs(apart) > allowance:
            self._disagree(apart)

    def creeps(self, place_um: float) -> None:
        """A look at rest: whether it still stands where it came to rest."""
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
