"""The real-time status report: which fields stand in it, and when."""

from __future__ import annotations

from dataclasses import dataclass

# Reports between two refreshes of the rarely changing fields, at rest and in motion.
OFFSET_EVERY = (10, 30)
OVERRIDE_EVERY = (10, 20)


@dataclass(frozen=True, slots=True)
class Snapshot:
    state: str
    z_mm: float
    offset_mm: float
    feed_mm_min: float
    power: float
    pins: str
    blocks_free: int
    bytes_free: int


class Reporter:
    """Composes reports and counts them: `WCO` comes with the first, after a change and every tenth or thirtieth;
    `Ov` comes with the second and every tenth or twentieth, never together with `WCO`."""

    def __init__(self) -> None:
        self._to_offset = 0
        self._to_override = 0
        self._offset_mm = 0.0

    def restart(self) -> None:
        self._to_offset = self._to_override = 0

    def compose(self, now: Snapshot, *, machine: bool, buffers: bool) -> str:
        position = f"MPos:{_xyz(now.z_mm)}" if machine else f"WPos:{_xyz(now.z_mm - now.offset_mm)}"
        fields = [now.state, position]
        if buffers:
            fields.append(f"Bf:{now.blocks_free},{now.bytes_free}")
        fields.append(f"FS:{now.feed_mm_min:.0f},{now.power:.0f}")
        if now.pins:
            fields.append(f"Pn:{now.pins}")
        busy = not now.state.startswith(("Idle", "Alarm", "Check"))
        if now.offset_mm != self._offset_mm:
            self._offset_mm = now.offset_mm
            self._to_offset = 0
        if self._to_offset == 0:
            self._to_offset = OFFSET_EVERY[busy]
            self._to_override = max(self._to_override, 1)
            fields.append(f"WCO:{_xyz(now.offset_mm)}")
        elif self._to_override == 0:
            self._to_override = OVERRIDE_EVERY[busy]
            fields.append("Ov:100,100,100")
            if now.power:
                fields.append("A:S")
        self._to_offset -= 1
        if self._to_override > 0:
            self._to_override -= 1
        return "<" + "|".join(fields) + ">"


def _xyz(z_mm: float) -> str:
    return f"0.000,0.000,{z_mm + 0.0:.3f}".replace("-0.000", "0.000")
