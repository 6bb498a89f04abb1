"""The lamp and a laser that points: by what they are dimmed, and what the file says of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchd.commissioning import parsing
from benchd.commissioning.link_text import line_places, link_of, next_unit, where_first
from benchd.commissioning.parsing import NONE
from benchd.commissioning.question import Answers, Places, Question, at
from benchd.commissioning.yaml_text import lines
from benchd.files.bounds import Within

LIGHT, POINTER = "The light", "A laser that points"
BY = {"lamp": "light", "pointer": "pointer"}
NAMES = {"lamp": "lamp", "pointer": "dot"}
CAUTIONS = {
    "lamp": "  # Bright LEDs blind and burn: not into the eye, not bare, a heat sink before the first level.\n",
    "pointer": "  # Never look into a laser's beam; a lens in it makes another of it (drivers/README.md, 'Lasers').\n",
    "dmx": "  # A mains dimmer is for qualified people. What it does when nobody sends is set in it, not here.\n",
}


def _by(who: str, *kinds: str) -> Callable[[Answers], bool]:
    return lambda answers: answers.get(BY[who]) in kinds


def _dimmed(part: str, who: str) -> tuple[Question, ...]:
    """What is asked of a light that has a line of its own."""
    return (
        Question(
            part,
            f"{who}_adapter",
            "Port of the adapter to RS-485, behind which the DMX dimmer is",
            parsing.local_port,
            None,
            _by(who, "dmx"),
        ),
        Question(part, f"{who}_slot", "Its slot, counted from 1", parsing.whole(1, 512), "1", _by(who, "dmx")),
        Question(part, f"{who}_port", "Port of its dimmer", parsing.port, None, _by(who, "line", "modbus")),
        Question(
            part,
            f"{who}_baud",
            "Its baud rate, by its manual",
            parsing.whole(1200, 1_000_000),
            "19200",
            where_first(who),
        ),
        Question(
            part,
            f"{who}_set",
            "The line that sets a level, with {:.0f} in the place of the number, such as L {:.0f}",
            parsing.setting,
            None,
            _by(who, "line"),
        ),
        Question(
            part,
            f"{who}_set_pattern",
            f"The pattern of what it answers to that; {NONE} where it answers nothing",
            parsing.or_none(parsing.any_pattern),
            NONE,
            _by(who, "line"),
        ),
        Question(part, f"{who}_ask", "The line that asks for its level", parsing.words, None, _by(who, "line")),
        Question(
            part,
            f"{who}_pattern",
            "What it answers: a pattern with the number in (..), such as ^L=([0-9]+)$",
            parsing.pattern,
            None,
            _by(who, "line"),
        ),
        Question(
            part, f"{who}_unit", "Its unit on the line", parsing.whole(1, 247), next_unit(who), _by(who, "modbus")
        ),
        Question(
            part,
            f"{who}_register",
            "The holding register of its level, counted from 0",
            parsing.whole(0, 65_535),
            None,
            _by(who, "modbus"),
        ),
        Question(
            part,
            f"{who}_full",
            "The number of full light",
            parsing.whole(1, 65_535),
            None,
            _by(who, "line", "modbus"),
        ),
    )


QUESTIONS: tuple[Question, ...] = (
    Question(
        LIGHT,
        "light",
        "What dims the lamp: yes (the controller of the carriage, by its spindle or laser output), dmx (a stage "
        "dimmer), line (a dimmer that is set by a line of text), scpi (a bench supply), modbus, or no",
        parsing.choice("yes", "no", "dmx", "line", "scpi", "modbus"),
        lambda answers: "no" if answers.get("carriage_by") == "modbus" else "yes",
    ),
    *_dimmed(LIGHT, "lamp"),
    Question(
        LIGHT,
        "lamp_resource",
        "VISA resource of the supply, such as TCPIP::192.0.2.20::5025::SOCKET",
        parsing.words,
        None,
        _by("lamp", "scpi"),
    ),
    Question(
        LIGHT,
        "lamp_identity",
        "The begin of its answer to *IDN?, as a pattern, such as ^HOUSE,SUPPLY-30,; another instrument is refused",
        parsing.any_pattern,
        None,
        _by("lamp", "scpi"),
    ),
    Question(
        LIGHT,
        "lamp_current_A",
        "Its current in A from the least light to full light, such as 0, 0.7",
        parsing.pair(Within(0.0, 100.0, "A")),
        None,
        _by("lamp", "scpi"),
    ),
    Question(
        LIGHT,
        "lamp_limit_V",
        "The voltage in V that the supply must not exceed",
        parsing.number(Within(0.1, 1000.0, "V")),
        None,
        _by("lamp", "scpi"),
    ),
    Question(
        LIGHT,
        "pwm_hz",
        f"How many pulses a second the lamp is dimmed by; {NONE} where it is dimmed without pulses or nobody knows",
        parsing.or_none(parsing.number(Within(10.0, 1e6, "Hz"))),
        NONE,
        lambda answers: answers.get("light") != "no",
    ),
    Question(
        POINTER,
        "pointer",
        "What switches a laser that shows the axis: dmx, line, modbus, or no",
        parsing.choice("no", "dmx", "line", "modbus"),
        "no",
    ),
    Question(
        POINTER,
        "pointer_class",
        "Its laser class, as its label says, 1 or 2: with a lens in the beam of any other a blink is too late",
        parsing.one_of("1", "2"),
        None,
        _by("pointer", "dmx", "line", "modbus"),
    ),
    *_dimmed(POINTER, "pointer"),
)


def _places(who: str, more: dict[str, str]) -> Places:
    dimmed = {
        "slot": "slots .", "set": "set", "set_pattern": "set_pattern", "ask": "ask", "pattern": "pattern",
        "unit": "unit_id", "register": "level", "full": "full steps",
    }  # fmt: skip
    return at(f"devices.{NAMES[who]}", {f"{who}_{key}": names for key, names in dimmed.items()} | more)


PLACES: Places = {
    **line_places("lamp", "adapter", "resource"),
    **_places(
        "lamp",
        {
            "lamp_identity": "identity", "lamp_current_A": "current_A", "lamp_limit_V": "limit_V", "pwm_hz": "pwm_hz",
        },
    ),
    "light": ("devices.lamp", "roles.target_light"),
    **line_places("pointer", "adapter"),
    **_places("pointer", {"pointer_class": "laser_class"}),
    "pointer": ("devices.dot", "roles.pointer"),
}  # fmt: skip


def devices(answers: Answers) -> str:
    """Those that there are."""
    found = _device(answers, "lamp", (("pwm_hz", answers.get("pwm_hz"), "exposures take whole periods of its pulses"),))
    return found + _device(answers, "pointer", (("laser_class", answers.get("pointer_class"), "as its label says"),))


def _device(answers: Answers, who: str, rest: Sequence[tuple[str, object, str]]) -> str:
    by = answers[BY[who]]
    if by == "no":
        return ""
    driver = {"yes": "gcode", "scpi": "scpi"}.get(by, by)
    link = "carriage_line" if by == "yes" else link_of(answers, who)
    found = CAUTIONS[who] + CAUTIONS.get(by, "")
    found += f"  {NAMES[who]}:\n    driver: {driver}_light\n    link: {link}\n"
    return found + lines(4, (*_keys(answers, who, by), *rest))


def _keys(answers: Answers, who: str, by: str) -> tuple[tuple[str, object, str], ...]:
    dark = ("safe_level", 0, "what it falls back to")
    match by:
        case "dmx":
            lost = "until the dimmer is set to go dark when its line is lost, and that was tried"
            return ("slots", (answers[f"{who}_slot"],), ""), ("on_loss", "holds", lost), dark
        case "line":
            return (
                ("set", answers[f"{who}_set"], ""),
                ("set_pattern", answers.get(f"{who}_set_pattern"), ""),
                ("full", answers[f"{who}_full"], "of full light"),
                ("ask", answers[f"{who}_ask"], ""),
                ("pattern", answers[f"{who}_pattern"], ""),
                ("steps", answers[f"{who}_full"], "how many levels it tells apart"),
                dark,
            )
        case "scpi":
            return (
                ("identity", answers["lamp_identity"], "of its answer to *IDN?; another one is refused"),
                ("current_A", answers["lamp_current_A"], "from the least light to full light"),
                ("limit_V", answers["lamp_limit_V"], "what the supply must not exceed"),
            )
        case "modbus":
            return (
                ("unit_id", answers[f"{who}_unit"], ""),
                ("level", {"address": answers[f"{who}_register"]}, "the register, counted from 0"),
                ("full", answers[f"{who}_full"], "what is written for full light"),
                dark,
            )
    return (dark,)


def roles(answers: Answers) -> dict[str, str]:
    """Who plays which part."""
    found = {} if answers["light"] == "no" else {"target_light": "lamp"}
    return found if answers["pointer"] == "no" else {**found, "pointer": "dot"}
