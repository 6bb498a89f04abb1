"""A Modbus drive that moves something: where it tells and takes what, by its manual; there are no numbers to guess."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from benchd.commissioning import parsing, registers
from benchd.commissioning.link_text import next_unit
from benchd.commissioning.parsing import NONE, Read, or_none
from benchd.commissioning.question import Answers, Places, Question, at
from benchd.files.bounds import Within

ASKED: Mapping[str, tuple[str, Read, str | None]] = {
    "unit": ("Its unit on the line, which no other axis has", parsing.whole(0, 255), None),
    "identity": (
        f"The register that tells its model, and the number there, such as `6 input = 19761`, so that no other drive "
        f"is moved by a wrong address; or {NONE}",
        or_none(registers.expected),
        None,
    ),
    "status": ("The register of its status flags, such as `0 input`", registers.told, None),
    "position": ("That of its position, such as `1 input int32 high_first`", registers.told, None),
    "target": ("That which takes a target, such as `0 int32 high_first`", registers.written, None),
    "speed": ("That which takes the speed, such as 2", registers.written, None),
    "moving": ("The status bit that says it moves, such as 0; `not 0` where it says that it is in position",
               registers.flag, None),
    "homed": ("The status bit that says it is homed", registers.flag, None),
    "fault": ("The status bit of a fault", registers.flag, None),
    "limit": (f"Those of the switches at its ends, with commas between; {NONE} where it tells none",
              or_none(registers.flags), NONE),
    "move": (f"What sets it off, such as `3 = 1`; {NONE} where a written target does", or_none(registers.command),
             None),
    "stop": ("What stops it, such as `3 = 2`: nothing else may do that", registers.command, None),
    "home": ("What homes it, such as `3 = 3`", registers.command, None),
    "clear": (f"What resets a fault as it is homed; {NONE}", or_none(registers.command), NONE),
}  # fmt: skip
"""Of each key of the device: the words, how an answer is read, and what Enter means; of `unit` that is asked of the
line."""
CAUTION = """\
    # It moves at once when told: power its motor off and look at its unit and registers before the first home.
"""


def asked(part: str, who: str, unit: str, applies: Callable[[Answers], bool]) -> tuple[Question, ...]:
    """What is asked of the drive of `who`; its counts are worth `unit`, um or deg."""
    counts = (
        (f"per_count_{unit}", f"How many {unit} one count of its position is, gears included"),
        (f"speed_per_count_{unit}_s", f"How many {unit}/s one count of its speed is"),
    )
    # Angles may shrink as counts grow; a carriage is asked which way it goes.
    count = Within(-1e6, 1e6) if unit == "deg" else Within(1e-6, 200.0, "um")
    enters = {key: enter for key, (_, _, enter) in ASKED.items()} | {"unit": next_unit(who)}
    return (
        *(Question(part, f"{who}_{key}", words, read, enters[key], applies) for key, (words, read, _) in ASKED.items()),
        Question(part, f"{who}_{counts[0][0]}", counts[0][1], parsing.factor(count), None, applies),
        Question(part, f"{who}_{counts[1][0]}", counts[1][1], parsing.number(Within(1e-9, 1e6)), None, applies),
    )


def places(who: str, device: str, unit: str) -> Places:
    """Where the answers to these stand."""
    keys = {f"{who}_{key}": {"unit": "unit_id"}.get(key, key) for key in ASKED}
    keys |= {f"{who}_per_count_{unit}": f"{unit}_per_count"}
    keys |= {f"{who}_speed_per_count_{unit}_s": f"speed_{unit}_s_per_count"}
    return at(f"devices.{device}", keys)


def keys(answers: Answers, who: str, unit: str) -> Sequence[tuple[str, object, str]]:
    """Its keys in the file."""
    why = {"status": "a word of flags", "target": "counted as the position", "stop": "nothing else does that"}
    found = [({"unit": "unit_id"}.get(key, key), answers.get(f"{who}_{key}"), why.get(key, "")) for key in ASKED]
    found.append((f"{unit}_per_count", answers[f"{who}_per_count_{unit}"], "one count of position and target"))
    found.append((f"speed_{unit}_s_per_count", answers[f"{who}_speed_per_count_{unit}_s"], "one count of speed"))
    return found
