"""The real-time status report: which fields stand in it, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd_simulators.firmware.gcode import MM_PER_INCH

# Reports between two refreshes of the rarely changing fields, at rest and in motion.
OFFSET_EVERY = (10, 30)
OVERRIDE_EVERY = (10, 20)


@dataclass(frozen=True, slots=True)
class Snapshot:
    state: str
    at_mm: Sequence[float]  # X, Y, Z
    offset_mm: Sequence[float]
    feed_mm_min: float
    power: float | None  # None: the build has no level to tell
    pins: str
    blocks_free: int
    bytes_free: int


class Reporter:
    """Composes reports and counts them: `WCO` comes with the first, after a change and every tenth or thirtieth;
    `Ov` comes with the second and every tenth or twentieth, never together with `WCO`."""

    def __init__(self) -> None:
        self._to_offset = 0
        self._to_override = 0
        self._offset_mm: Sequence[float] = (0.0, 0.0, 0.0)

    def restart(self) -> None:
        self._to_offset = self._to_override = 0

    def compose(self, now: Snapshot, *, machine: bool, buffers: bool, inches: bool = False) -> str:
        work_mm = [at - offset for at, offset in zip(now.at_mm, now.offset_mm, strict=True)]
        position = f"MPos:{_xyz(now.at_mm, inches)}" if machine else f"WPos:{_xyz(work_mm, inches)}"
        fields = [now.state, position]
        if buffers:
            fields.append(f"Bf:{now.blocks_free},{now.bytes_free}")
        feed = f"{now.feed_mm_min / MM_PER_INCH:.1f}" if inches else f"{now.feed_mm_min:.0f}"
        fields.append(f"F:{feed}" if now.power is None else f"FS:{feed},{now.power:.0f}")
        if now.pins:
            fields.append(f"Pn:{now.pins}")
        busy = not now.state.startswith(("Idle", "Alarm", "Check"))
        if now.offset_mm != self._offset_mm:
            self._offset_mm = now.offset_mm
            self._to_offset = 0
        if self._to_offset == 0:
            self._to_offset = OFFSET_EVERY[busy]
            self._to_override = max(self._to_override, 1)
            fields.append(f"WCO:{_xyz(now.offset_mm, inches)}")
        elif self._to_override == 0:
            self._to_override = OVERRIDE_EVERY[busy]
            fields.append("Ov:100,100,100")
            if now.power:
                fields.append("A:S")
        self._to_offset -= 1
        if self._to_override > 0:
            self._to_override -= 1
        return "<" + "|".join(fields) + ">"


def _xyz(places_mm: Sequence[float], inches: bool) -> str:
    return ",".join(_number(place, inches) for place in places_mm)


def _number(place_mm: float, inches: bool) -> str:
    number, none = (f"{place_mm / MM_PER_INCH:.4f}", "0.0000") if inches else (f"{place_mm:.3f}", "0.000")
    return none if number == "-" + none else number
