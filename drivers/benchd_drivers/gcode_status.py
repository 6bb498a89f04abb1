"""The real-time status report of a G-code controller, and the kinds of line it sends.

Fields may be missing, in any order, and masked by the controller's settings: machine position or work position
stands in a report, seldom both, and the offset between the two in every tenth or thirtieth only.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.devices import Identity

REPORT = rb"<[A-Z][A-Za-z]*(?::\d+)?(?:\|[^<>\r\n]*)?>"
"""A whole report; what else stands between angle brackets is noise."""

BANNER = re.compile(r"^(?P<name>[A-Za-z][\w .-]*?) v?(?P<version>\d+\.\d+\w*)\b.*\['\$' for help\]\s*$")
ALARM = re.compile(r"^ALARM:(\d+)$")
ERROR = re.compile(r"^error:(\d+)$")
LETTERS = "XYZABCUVW"
ECHO = "?!~\x18\ufffd"
"""Real-time bytes that a half-duplex line gives back, ahead of what the controller says."""
HOLD, RESET, JOG_CANCEL = b"!", b"\x18", b"\x85"

HELD = frozenset({"Hold", "Door"})
"""In these it looks at no line."""
HELD_S = 0.6
"""A stop holds it for no longer; who is held for longer waits for a person."""
AT_REST = frozenset({"Idle", "Alarm", "Check", "Sleep", "Tool"})


@dataclass(frozen=True, slots=True)
class Report:
    """One report. Positions in the controller's units (mm) by axis in the order of LETTERS; None where not told."""

    state: str
    sub: int | None
    mpos: tuple[float, ...] | None
    wpos: tuple[float, ...] | None
    wco: tuple[float, ...] | None
    pins: str
    spindle: float | None
    t_mono: float

    @property
    def at_rest(self) -> bool:
        """Whether nothing moves, as the controller sees it. `Hold` and `Door` without a sub-state do not say."""
        if self.state in HELD:
            return self.sub in (0, 1) if self.state == "Door" else self.sub == 0
        return self.state in AT_REST

    @property
    def released(self) -> bool:
        """Whether the door is shut again, and only a cycle start or a reset is waited for."""
        return self.state == "Door" and self.sub == 0

    def machine(self, remembered_wco: tuple[float, ...] | None) -> tuple[float, ...] | None:
        """Machine position: told, or from the work position and the offset (this report's, else the remembered one)."""
        if self.mpos is not None:
            return self.mpos
        wco = self.wco or remembered_wco
        if self.wpos is None or wco is None or len(wco) != len(self.wpos):
            return None
        return tuple(w + o for w, o in zip(self.wpos, wco, strict=True))


def parse_report(raw: bytes, t_mono: float, mm_per_unit: float = 1.0) -> Report | None:
    """The report in `raw` (`<...>`), None where a part of it is damaged: a wrong position is worse than none.

    `mm_per_unit` turns what it counts in into millimetres.
    """
    fields = raw.decode("ascii", "replace").strip("<>").split("|")
    state, _, sub = fields[0].partition(":")
    values: dict[str, tuple[float, ...]] = {}
    pins, spindle = "", None
    try:
        for field in fields[1:]:
            key, _, text = field.partition(":")
            if key in ("MPos", "WPos", "WCO"):
                values[key] = tuple(mm_per_unit * number for number in _numbers(text))
            elif key == "Pn":
                pins = text
            elif key == "FS":
                spindle = _numbers(text)[1]
        return Report(
            state=state,
            sub=int(sub) if sub else None,
            mpos=values.get("MPos"),
            wpos=values.get("WPos"),
            wco=values.get("WCO"),
            pins=pins,
            spindle=spindle,
            t_mono=t_mono,
        )
    except (ValueError, IndexError):
        return None


def _numbers(text: str) -> tuple[float, ...]:
    numbers = tuple(float(part) for part in text.split(","))
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError("not finite")
    return numbers


def identity_in(told: Sequence[str]) -> Identity:
    """Name, version and what a user may have stored, from a banner and the lines that `$I` brings."""
    name = version = serial = ""
    for text in told:
        if found := BANNER.match(text):
            name = found["name"]
            version = version or found["version"]
        elif text.startswith("[VER:"):
            version, _, serial = text[5:].rstrip("]").partition(":")
    return Identity(model=name, firmware=version.strip("."), serial=serial.strip())
