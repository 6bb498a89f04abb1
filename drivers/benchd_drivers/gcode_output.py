"""The output of a G-code controller in levels of 0 to 1: which S value each is, as the controller is set."""

from __future__ import annotations

from benchd.devices import DeviceError, DeviceMismatch
from benchd_drivers.gcode_settings import BoardSettings

USUAL_FULL = 1000
"""What most controllers are delivered with in $30, for one that does not tell."""


class Output:
    """`full` is the bench file's S value of full light, None where it states none."""

    def __init__(self, name: str, full: int | None, settings: BoardSettings | None = None) -> None:
        """Raises DeviceMismatch where the controller cannot do what the bench file says."""
        values = settings.values if settings is not None else {}
        self._name = name
        self._most, self._least = values.get(30), values.get(31, 0.0)
        self._full = float(full or self._most or USUAL_FULL)
        self._dims = settings is None or settings.pwm
        if values.get(32):
            raise DeviceMismatch(
                f"{name}: the controller is in laser mode ($32=1), which keeps its output dark but for cutting moves.",
                advice="Write `$32=0` to it.",
                device=name,
            )
        if self._most is not None and self._full > self._most:
            raise DeviceMismatch(
                f"{name}: full light is S{self._full:g} in the bench file, and the controller's greatest is "
                f"S{self._most:g} ($30): every level above would be the same.",
                advice=f"Leave `full` out, write `full: {self._most:g}`, or `$30={self._full:g}` to it.",
                device=name,
            )
        if self._least >= self._full:
            raise DeviceMismatch(
                f"{name}: the controller's least output is S{self._least:g} ($31), not below full light, "
                f"S{self._full:g}: it cannot be dimmed.",
                advice="Write `$31=0` to it.",
                device=name,
            )

    @property
    def steps(self) -> int:
        """How many levels above dark it has."""
        return max(1, round(self._full - self._least)) if self._dims else 1

    def check(self, level: float) -> None:
        """Raises DeviceError where the controller's build has nothing between dark and full."""
        if not self._dims and 0 < level < 1:
            raise DeviceError(
                f"{self._name}: the controller's build dims nothing ($I tells no V): the light is on or off.",
                advice="Set level 0 or 1.",
                device=self._name,
                code="bad_request",
            )

    def power(self, level: float) -> float:
        """The S value, 0 when dark: the controller begins to dim at $31."""
        return float(round(self._least + level * (self._full - self._least))) if level > 0 else 0.0

    def level(self, power: float) -> float:
        """And back."""
        return min(1.0, max(0.0, (power - self._least) / (self._full - self._least))) if power > 0 else 0.0

    def lines(self, level: float) -> list[str]:
        """What sets it, beginning with the output off."""
        power = self.power(level)
        return ["M5", f"M3 S{power:.0f}"] if power else ["M5"]
