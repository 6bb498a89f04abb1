"""One line of RS-274 text into words, and words into what they ask for.

The dialect is the one that open motion firmwares on microcontrollers speak: a letter and a number a word,
spaces and comments ignored, one command of each modal group a line. Refusals carry the published number
of their `error:` answer. Only what a bench needs is here: straight moves, offsets, dwell, PWM.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

MAX_LINE = 80
AXES = "XYZ"
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
    g54_mm: Mapping[str, float] = field(default_factory=dict)
    g92_mm: Mapping[str, float] = field(default_factory=dict)

    def offset_mm(self, axis: str) -> float:
        """Work co-ordinate offset: WPos = MPos - offset."""
        return self.g54_mm.get(axis, 0.0) + self.g92_mm.get(axis, 0.0)


@dataclass(frozen=True, slots=True)
class Block:
    """One line, understood but not carried out."""

    commands: dict[str, float] = field(default_factory=dict)  # modal group -> number
    values: dict[str, float] = field(default_factory=dict)  # value letter -> number

    @property
    def once(self) -> float | None:
        return self.commands.get("once")

    def along_mm(self, scale: float) -> dict[str, float]:
        """The axis words, in millimetres."""
        return {letter: number * scale for letter, number in self.values.items() if letter in AXES}


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


def parse(text: str, axes: str = "Z") -> Block:
    """A tidied line as a block; `axes` are the letters of those there are.

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
        if letter not in "FLNPS" + axes:
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
    move_mm: Mapping[str, float] | None = None  # machine co-ordinates, of the axes that were named
    feed_mm_min: float | None = None  # None: as fast as the axis may
    end: bool = False


def carry_out(block: Block, modal: Modal, position_mm: Mapping[str, float]) -> tuple[Modal, Step]:
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
    along_mm = block.along_mm(scale)
    # What is in force already is not done again, whatever has become of the output meanwhile.
    same = after.spindle == modal.spindle and (after.power == modal.power or after.spindle == 5)
    power = None if same else (after.spindle, after.power)

    dwell_s = None
    if block.once is not None:
        dwell_s = _once(block, after, along_mm, position_mm, unused)
        along_mm = {}

    move_mm, feed = None, None
    if along_mm:
        move_mm, feed = _move(block, after, along_mm, position_mm)
        unused.difference_update(along_mm)
    elif block.commands.get("machine") is not None and "motion" not in block.commands and after.motion == 80:
        raise GcodeRefused(30)
    if unused:
        raise GcodeRefused(36)
    return after, Step(power, dwell_s, move_mm, feed, end="program" in block.commands)


def _once(
    block: Block, after: Modal, along_mm: Mapping[str, float], position_mm: Mapping[str, float], unused: set[str]
) -> float | None:
    """G4, G10, G92: changes `after` and takes its words out of `unused`; answers a dwell in seconds or None."""
    if block.once == 4:
        if "P" not in block.values:
            raise GcodeRefused(28)
        unused.discard("P")
        return block.values["P"]
    if block.once == 92.1:
        after.g92_mm = {}
        return None
    if "motion" in block.commands and after.motion != 80:
        raise GcodeRefused(24)
    if not along_mm:
        raise GcodeRefused(26)
    unused.difference_update(along_mm)
    if block.once == 92:
        shifts = {axis: position_mm[axis] - after.g54_mm.get(axis, 0.0) - at for axis, at in along_mm.items()}
        after.g92_mm = {**after.g92_mm, **shifts}
        return None
    if "L" not in block.values or "P" not in block.values:
        raise GcodeRefused(28)
    if block.values["P"] not in (0, 1):
        raise GcodeRefused(29)
    unused -= {"L", "P"}
    if block.values["L"] == 2:
        after.g54_mm = {**after.g54_mm, **along_mm}
    elif block.values["L"] == 20:
        shifts = {axis: position_mm[axis] - after.g92_mm.get(axis, 0.0) - at for axis, at in along_mm.items()}
        after.g54_mm = {**after.g54_mm, **shifts}
    else:
        raise GcodeRefused(20)
    return None


def _move(
    block: Block, after: Modal, along_mm: Mapping[str, float], position_mm: Mapping[str, float]
) -> tuple[dict[str, float], float | None]:
    """Targets in machine co-ordinates and feed (None: rapid) of a straight move."""
    machine = "machine" in block.commands
    if after.motion == 80:
        raise GcodeRefused(30 if machine else 31)
    if after.motion == 1 and after.feed_mm_min == 0:
        raise GcodeRefused(22)
    targets = _targets(along_mm, after, position_mm, machine=machine, absolute=after.absolute)
    if not all(map(math.isfinite, targets.values())):
        raise GcodeRefused(2)
    return targets, (after.feed_mm_min if after.motion == 1 else None)


def _targets(
    along_mm: Mapping[str, float], modal: Modal, position_mm: Mapping[str, float], *, machine: bool, absolute: bool
) -> dict[str, float]:
    """`machine`: G53 is absolute whatever G91 says."""
    if machine:
        return dict(along_mm)
    if absolute:
        return {axis: at + modal.offset_mm(axis) for axis, at in along_mm.items()}
    return {axis: position_mm[axis] + way for axis, way in along_mm.items()}


def parse_jog(
    text: str, modal: Modal, position_mm: Mapping[str, float], axes: str = "Z"
) -> tuple[dict[str, float], float]:
    """The part of a jog line after `$J=`: targets in machine co-ordinates and feed in mm/min; changes no mode.

    Raises GcodeRefused: 16 (a word that a jog may not have), 22 (no feed), 26 (no axis), or of `parse`.
    """
    block = parse(text, axes)
    if set(block.commands) - {"units", "distance", "machine"} or set(block.values) - {"F", "N", *axes}:
        raise GcodeRefused(16)
    if not block.values.keys() & set(axes):
        raise GcodeRefused(26)
    if not block.values.get("F"):
        raise GcodeRefused(22)
    inches = block.commands.get("units", 20 if modal.inches else 21) == 20
    scale = MM_PER_INCH if inches else 1.0
    absolute = block.commands.get("distance", 90 if modal.absolute else 91) == 90
    machine = "machine" in block.commands
    targets = _targets(block.along_mm(scale), modal, position_mm, machine=machine, absolute=absolute)
    return targets, block.values["F"] * scale
