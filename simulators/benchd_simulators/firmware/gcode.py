"""One line of RS-274 text into words, and words into what they ask for.

The dialect is the one that open motion firmwares on microcontrollers speak: a letter and a number a word,
spaces and comments ignored, one command of each modal group a line. Refusals carry the published number
of their `error:` answer. Only what a one-axis bench needs is here: straight moves, offsets, dwell, PWM.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

MAX_LINE = 80
MM_PER_INCH = 25.4

_COMMENT = re.compile(rb"\([^)]*\)?")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)")

# Modal groups of NIST RS274/NGC (version 3, table 4). G4, G10, G53 and G92 are non-modal (group 0); of those,
# G53 may stand beside a motion word, so it is kept apart here.
_GROUPS: dict[str, dict[float, str]] = {
    "G": {
        0: "motion", 1: "motion", 80: "motion",
        4: "once", 10: "once", 92: "once", 92.1: "once",
        53: "machine",
        17: "plane", 18: "plane", 19: "plane",
        20: "units", 21: "units",
        40: "cutter", 49: "length", 61: "path",
        54: "system",
        90: "distance", 91: "distance",
        94: "feed_mode",
    },
    "M": {
        3: "spindle", 4: "spindle", 5: "spindle",
        7: "coolant", 8: "coolant", 9: "coolant",
        2: "program", 30: "program",
    },
}  # fmt: skip


class GcodeRefused(Exception):
    """The line is not carried out; `number` is the published code of the answer."""

    def __init__(self, number: int) -> None:
        super().__init__(f"error:{number}")
        self.number = number


@dataclass(slots=True)
class Modal:
    """What stays in force from line to line; a soft reset restores it."""

    motion: float = 0
    absolute: bool = True
    inches: bool = False
    feed_mm_min: float = 0.0
    power: float = 0.0
    spindle: float = 5
    g54_mm: float = 0.0
    g92_mm: float = 0.0

    @property
    def offset_mm(self) -> float:
        """Work co-ordinate offset: WPos = MPos - offset."""
        return self.g54_mm + self.g92_mm


@dataclass(frozen=True, slots=True)
class Block:
    """One line, understood but not carried out."""

    commands: dict[str, float] = field(default_factory=dict)  # modal group -> number
    values: dict[str, float] = field(default_factory=dict)  # value letter -> number

    @property
    def once(self) -> float | None:
        return self.commands.get("once")


def tidy(line: bytes) -> str:
    """Without comments, spaces and small letters, as the controller keeps it. Bytes that are not ASCII vanish."""
    bare = _COMMENT.sub(b"", line.split(b";", 1)[0])
    return "".join(chr(byte) for byte in bare if 32 < byte < 127).upper()


def words(text: str) -> list[tuple[str, float]]:
    """Letters and numbers. Raises GcodeRefused 1 (no letter where one belongs) or 2 (no number after it)."""
    found: list[tuple[str, float]] = []
    at = 0
    while at < len(text):
        letter = text[at]
        if not "A" <= letter <= "Z":
            raise GcodeRefused(1)
        number = _NUMBER.match(text, at + 1)
        if number is None:
            raise GcodeRefused(2)
        found.append((letter, float(number.group())))
        at = number.end()
    return found


def parse(text: str) -> Block:
    """A tidied line as a block.

    Raises GcodeRefused: 1, 2 (form), 4 (negative), 20 (unknown), 21 and 25 (twice), 23 (not whole).
    """
    block = Block()
    for letter, number in words(text):
        if letter in _GROUPS:
            group = _GROUPS[letter].get(number)
            if group is None:
                raise GcodeRefused(20)
            if group in block.commands:
                raise GcodeRefused(21)
            block.commands[group] = number
            continue
        if letter not in "FLNPSZ":
            raise GcodeRefused(20)
        if letter in block.values:
            raise GcodeRefused(25)
        if letter in "FNPS" and number < 0:
            raise GcodeRefused(4)
        if letter in "LN" and not number.is_integer():
            raise GcodeRefused(23)
        block.values[letter] = number
    return block


@dataclass(frozen=True, slots=True)
class Step:
    """What a block asks of the hardware, in the order of execution of RS-274."""

    power: tuple[float, float] | None = None  # spindle (3, 4, 5) and S, where either is another than before
    dwell_s: float | None = None
    move_mm: float | None = None  # machine co-ordinates
    feed_mm_min: float | None = None  # None: as fast as the axis may
    end: bool = False


def carry_out(block: Block, modal: Modal, position_mm: float) -> tuple[Modal, Step]:
    """The modal state after `block` and what the hardware has to do.

    `position_mm` is where the last accepted move ends, in machine co-ordinates. `modal` is not changed, so a
    refused line leaves no trace. Raises GcodeRefused.
    """
    after = Modal(
        motion=block.commands.get("motion", modal.motion),
        absolute=block.commands.get("distance", 90 if modal.absolute else 91) == 90,
        inches=block.commands.get("units", 20 if modal.inches else 21) == 20,
        feed_mm_min=modal.feed_mm_min,
        power=block.values.get("S", modal.power),
        spindle=block.commands.get("spindle", modal.spindle),
        g54_mm=modal.g54_mm,
        g92_mm=modal.g92_mm,
    )
    scale = MM_PER_INCH if after.inches else 1.0
    if "F" in block.values:
        after.feed_mm_min = block.values["F"] * scale
    unused = set(block.values) - {"F", "N", "S"}
    z = block.values.get("Z")
    z_mm = None if z is None else z * scale
    # What is in force already is not done again, whatever has become of the output meanwhile.
    same = after.spindle == modal.spindle and (after.power == modal.power or after.spindle == 5)
    power = None if same else (after.spindle, after.power)

    dwell_s = None
    if block.once is not None:
        dwell_s = _once(block, after, z_mm, position_mm, unused)
        z_mm = None

    move_mm, feed = None, None
    if z_mm is not None:
        move_mm, feed = _move(block, after, z_mm, position_mm)
        unused.discard("Z")
    elif block.commands.get("machine") is not None and "motion" not in block.commands and after.motion == 80:
        raise GcodeRefused(30)
    if unused:
        raise GcodeRefused(36)
    return after, Step(power, dwell_s, move_mm, feed, end="program" in block.commands)


def _once(block: Block, after: Modal, z_mm: float | None, position_mm: float, unused: set[str]) -> float | None:
    """G4, G10, G92: changes `after` and takes its words out of `unused`; answers a dwell in seconds or None."""
    if block.once == 4:
        if "P" not in block.values:
            raise GcodeRefused(28)
        unused.discard("P")
        return block.values["P"]
    if block.once == 92.1:
        after.g92_mm = 0.0
        return None
    if "motion" in block.commands and after.motion != 80:
        raise GcodeRefused(24)
    if z_mm is None:
        raise GcodeRefused(26)
    unused.discard("Z")
    if block.once == 92:
        after.g92_mm = position_mm - after.g54_mm - z_mm
        return None
    if "L" not in block.values or "P" not in block.values:
        raise GcodeRefused(28)
    if block.values["P"] not in (0, 1):
        raise GcodeRefused(29)
    unused -= {"L", "P"}
    if block.values["L"] == 2:
        after.g54_mm = z_mm
    elif block.values["L"] == 20:
        after.g54_mm = position_mm - after.g92_mm - z_mm
    else:
        raise GcodeRefused(20)
    return None


def _move(block: Block, after: Modal, z_mm: float, position_mm: float) -> tuple[float, float | None]:
    """Target in machine co-ordinates and feed (None: rapid) of a straight move."""
    machine = "machine" in block.commands
    if after.motion == 80:
        raise GcodeRefused(30 if machine else 31)
    if after.motion == 1 and after.feed_mm_min == 0:
        raise GcodeRefused(22)
    if machine:  # G53 is absolute whatever G91 says
        target = z_mm
    elif after.absolute:
        target = z_mm + after.offset_mm
    else:
        target = position_mm + z_mm
    if not math.isfinite(target):
        raise GcodeRefused(2)
    return target, (after.feed_mm_min if after.motion == 1 else None)


def parse_jog(text: str, modal: Modal, position_mm: float) -> tuple[float, float]:
    """The part of a jog line after `$J=`: target in machine co-ordinates and feed in mm/min; changes no mode.

    Raises GcodeRefused: 16 (a word that a jog may not have), 22 (no feed), 26 (no axis), or of `parse`.
    """
    block = parse(text)
    if set(block.commands) - {"units", "distance", "machine"} or set(block.values) - {"F", "Z", "N"}:
        raise GcodeRefused(16)
    if "Z" not in block.values:
        raise GcodeRefused(26)
    if not block.values.get("F"):
        raise GcodeRefused(22)
    inches = block.commands.get("units", 20 if modal.inches else 21) == 20
    scale = MM_PER_INCH if inches else 1.0
    z_mm = block.values["Z"] * scale
    if "machine" in block.commands:
        target = z_mm
    elif block.commands.get("distance", 90 if modal.absolute else 91) == 90:
        target = z_mm + modal.offset_mm
    else:
        target = position_mm + z_mm
    return target, block.values["F"] * scale
