"""What the numbers of a G-code controller mean, for people.

The numbers are those of the open Grbl 1.1 motion firmware, which others have taken over (doc/markdown/interface.md,
doc/csv/error_codes_en_US.csv, doc/csv/alarm_codes_en_US.csv; alarm 10, of axes with two motors: grbl/system.h of
1.1h); the sentences are ours.
"""

from __future__ import annotations

ERRORS = {
    1: "a word without its letter",
    2: "a number it cannot read",
    3: "a '$' command it does not know",
    4: "a negative value where none may stand",
    5: "homing is not enabled in its settings",
    6: "a step pulse shorter than it can make",
    7: "its settings memory failed and was reset",
    8: "this needs it idle, and it is busy",
    9: "locked by an alarm or by a jog under way",
    10: "soft limits need homing enabled",
    11: "a line too long for it",
    12: "a step rate beyond what it can do",
    13: "the safety door is open",
    14: "a start-up line too long for it",
    15: "a jog that leaves the travel",
    16: "a jog with a word that may not stand there",
    17: "laser mode without PWM output",
    20: "a command it does not know",
    21: "two commands that exclude each other",
    22: "a move without a feed rate",
    23: "a number that must be whole",
    24: "two commands that both want the axis words",
    25: "a word given twice",
    26: "a command without its axis word",
    27: "a line number out of range",
    28: "a command without a value that it needs",
    29: "a coordinate system that it does not have",
    30: "G53 without a straight move",
    31: "axis words that nothing uses",
    32: "an arc without a plane word",
    33: "a target that cannot be reached",
    36: "words that nothing uses",
    38: "a tool number out of range",
}

ALARMS = {
    1: "a hard limit was hit",
    2: "a target beyond the controller's own soft limits",
    3: "it was reset while moving, and lost its place",
    4: "probe in the wrong state",
    5: "probe made no contact",
    6: "homing was broken off by a reset",
    7: "homing was broken off by the safety door",
    8: "the home switch stayed active after the pull-off",
    9: "the home switch was not found within the search",
    10: "homing of an axis with two motors failed: a second switch was not found",
}

LIMIT_ALARMS = frozenset({1, 2})
HOMING_ALARMS = frozenset({6, 7, 8, 9, 10})
"""After these, and after 3, it restarts by itself."""
NO_HOMING = 5
INSPECT = "Look at the carriage, the switches and the cables before homing again."


SILENT_HOMING = "The controller homes, and tells nothing meanwhile."
SILENT_ALARM = "The controller has stopped at a limit, and tells nothing before it is reset."
CHECKING = "The controller is in its check mode ($C): it reads every line and does nothing."
ASLEEP = "The controller sleeps ($SLP), its motors off."
LET_GO = "`benchd stop` ends it; that moves nothing."


def held_words(state: str, sub: int | None) -> tuple[str, str]:
    """What a controller in `Door` or `Hold` waits for, and what a person has to do."""
    if state == "Hold":
        text = "The controller is held (state Hold), and hears nothing else."
        return text, "See that nothing is in the way, then let it go with `benchd stop`; that moves nothing."
    if sub == 0:
        text = "The controller's safety door was open and is shut again (state Door)."
        return text, "The next command lets it go; nothing of what it interrupted goes on."
    text = "The controller's safety door is open (state Door)."
    if sub is None:
        return text, "Close it and let the controller go with `benchd stop`, then try again."
    return text, "Close it, then try again."


def error_text(number: int) -> str:
    """The refusal of a line, as the end of a sentence."""
    return ERRORS.get(number, f"error {number}, which has no common meaning")


def alarm_text(number: int) -> str:
    """An alarm, as the end of a sentence."""
    return ALARMS.get(number, f"alarm {number}, which has no common meaning")
