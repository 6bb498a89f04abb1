"""What a schedule may say: who there is, what each does, and with what. Nothing else is played."""

from __future__ import annotations

from collections.abc import Iterable

from benchd.verbs.table import VERBS
from tests.virtual.moments import MOMENTS
from tests.virtual.people import OWN
from tests.virtual.schedule import Step

TIMED = dict.fromkeys(("silence", "garbage", "flood", "stall", "wrong_baud", "unplug"), "s")
WIRE = TIMED | {
    "corrupt": "n", "late": "n s", "split": "n gap_s", "merge": "n", "cut": "n", "drop": "n", "lose": "n byte",
    "alter": "n from to", "plug": "", "clear": "",
}  # fmt: skip
WORLD = (
    "lose_steps", "push", "stall", "switch_stuck", "switch_never", "switch_scattered", "encoder_frozen",
    "encoder_jump", "encoder_reversed", "encoder_power_up", "wire_cut", "contacts_scattered",
)  # fmt: skip
THINGS = {
    "board": WIRE
    | dict.fromkeys(("reset", "power_up", "open_door", "shut_door", "factory"), "")
    | dict.fromkeys(("stuck_status", "reset_on_open", "identity", "native", "origin_at_switch", "pwm"), "value")
    | {"homing_reports": "value"},
    "counter": WIRE,
    "indicator": WIRE,
    "inputs": WIRE,
    "camera": dict.fromkeys(("garbage", "cut", "freeze", "no_time"), "n")
    | {"late": "n s", "error": "n status", "unplug": "", "plug": "", "clear": ""},
    "world": dict.fromkeys(WORLD, "value"),
    "broker": {"away": "for_s forget", "stall": "for_s", "twice": "n"},
    "daemon": {"kill": "down_s", "restart": "down_s"},
    "disk": {"slow": "s", "full": "spare", "clear": ""},
    "worker": {"die": "n"},
    "machine": {"held": "for_s"},
    "clock": {"step": "by_s"},
    "hand": {
        "press": "what",
        "release": "what",
        "rearm": "",
        "fit": "what value",
        "remove": "what value",
        "set": "what value",
        "measure": "what",
    },
    "stranger": {"stop": "payload", "repeat": "back", "retain": "back", "nonsense": "topic payload"},
}
PEOPLE = {
    "stop": "", "check": "repeats forgets", "next": "reseat forgets", "toggle": "forgets",
    "calibrate": "forgets", "zero": "forgets", "arrange": "lens glass",
    "answer": "value late twice", "once": "verb args slow_s leaves_s", "pause": "", "resume": "", "abort": "",
    "typed": "verb after_s args beat", "drop": "", "stall": "for_s",
}  # fmt: skip
ALWAYS = {"when", "nth", "later_s"}
assert set(OWN) <= set(PEOPLE)


def checked(steps: Iterable[Step]) -> None:
    """Raises ValueError naming the step that nobody can play."""
    for step in steps:
        if (wrong := _wrong(step)) is not None:
            raise ValueError(f"'{step}': {wrong}")


def _wrong(step: Step) -> str | None:
    known = THINGS.get(step.who)
    if known is not None and step.do not in known:
        return f"the {step.who} has no '{step.do}'; it has {', '.join(known)}"
    if known is None and step.do not in PEOPLE and step.do not in VERBS:
        return f"there is no thing '{step.who}', and no person can '{step.do}'"
    takes = known[step.do] if known is not None else PEOPLE.get(step.do)
    keys = set(takes.split()) if takes is not None else set(VERBS[step.do].args.model_fields)
    if more := sorted(set(step.args) - keys - ALWAYS):
        return f"'{step.do}' takes {', '.join(sorted(keys)) or 'nothing'}, and not {', '.join(more)}"
    if (when := step.args.get("when")) is not None and when not in MOMENTS:
        return f"there is no moment '{when}'; there are {', '.join(MOMENTS)}"
    return None
