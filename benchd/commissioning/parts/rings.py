"""Motors that turn rings of the lens, or a table: on the carriage's own controller, or on Modbus drives."""

from __future__ import annotations

from benchd.commissioning import parsing
from benchd.commissioning.link_text import line_places, link_of, where_first
from benchd.commissioning.parsing import NONE
from benchd.commissioning.parts import modbus_drive
from benchd.commissioning.question import Answers, Places, Question, at
from benchd.commissioning.yaml_text import lines
from benchd.files.bounds import Within

RINGS = "What motors turn"
TURNED = {"focus": "focus_ring", "iris": "iris_ring", "zoom": "zoom_ring", "turn": "turn"}
"""What it is called here, and its role."""
SPARE_DEG = 20.0


def _of(what: str) -> tuple[Question, ...]:
    def applies(answers: Answers) -> bool:
        return what in answers.get("rings", ())

    def gcode(answers: Answers) -> bool:
        return answers.get(f"{what}_by") == "gcode"

    def modbus(answers: Answers) -> bool:
        return answers.get(f"{what}_by") == "modbus"

    def search(answers: Answers) -> str:
        low, high = answers[f"{what}_travel_deg"]
        return f"{high - low + SPARE_DEG:g}"

    named = {"turn": "table"}.get(what, f"{what} ring")
    return (
        Question(
            RINGS,
            f"{what}_by",
            f"What turns the {named}: gcode (the controller of the carriage) or modbus (a drive on a Modbus line)",
            parsing.choice("gcode", "modbus"),
            lambda answers: str(answers.get("carriage_by", "gcode")),
            applies,
        ),
        Question(RINGS, f"{what}_port", f"Port of the line with the drive of the {named}", parsing.port, None, modbus),
        Question(
            RINGS,
            f"{what}_baud",
            "Its baud rate, by its manual",
            parsing.whole(1200, 1_000_000),
            "19200",
            where_first(what),
        ),
        *modbus_drive.asked(RINGS, what, "deg", modbus),
        Question(
            RINGS,
            f"{what}_letter",
            f"The letter of the axis that turns the {named}",
            parsing.choice(*"xyzabcuvw"),
            None,
            gcode,
        ),
        Question(
            RINGS,
            f"{what}_deg_per_unit",
            f"How many degrees of the {named}, not of the motor, one unit of the controller is",
            parsing.number(Within(1e-3, 1000.0, "deg")),
            None,
            gcode,
        ),
        Question(
            RINGS,
            f"{what}_travel_deg",
            "How far it may be turned by its own reading, in degrees, inside what stops it, such as 0, 290",
            parsing.pair(Within(-36e3, 36e3, "deg")),
            None,
            applies,
        ),
        Question(
            RINGS,
            f"{what}_zero_at",
            "The controller's number, in its units, where it is to read 0",
            parsing.number(Within(-1e6, 1e6)),
            None,
            applies,
        ),
        Question(
            RINGS,
            f"{what}_home_search_deg",
            "After how many degrees a search for its switch is given up: its travel at least",
            parsing.number(Within(1.0, 72e3, "deg")),
            search,
            applies,
        ),
    )


QUESTIONS: tuple[Question, ...] = (
    Question(
        RINGS,
        "rings",
        f"What motors turn besides, of {', '.join(TURNED)}, with commas between; {NONE} for nothing. Each needs a "
        "switch that trips before the ring's own stop is felt: a motor bends what a hand would not",
        parsing.some_of(*TURNED),
        NONE,
    ),
    *(question for what in TURNED for question in _of(what)),
)


_KEYS = ("letter", "deg_per_unit", "travel_deg", "zero_at", "home_search_deg")


def _places(what: str) -> Places:
    own = {f"{what}_{key}": "letter ." if key == "letter" else key for key in _KEYS}
    by = at(f"devices.{what}_motor", {**own, f"{what}_by": "driver link ."})
    return {**line_places(what), **modbus_drive.places(what, f"{what}_motor", "deg"), **by}


PLACES: Places = {key: places for what in TURNED for key, places in _places(what).items()} | {
    "rings": tuple(f"roles.{role}" for role in TURNED.values())
}


def devices(answers: Answers) -> str:
    """Those that there are."""
    return "".join(_device(answers, what) for what in answers["rings"])


def _device(answers: Answers, what: str) -> str:
    if answers[f"{what}_by"] == "gcode":
        driver, link = "gcode_rotary", "carriage_line"
        letter = ("letter", answers[f"{what}_letter"].upper(), "")
        own = lines(
            4, (letter, ("deg_per_unit", answers[f"{what}_deg_per_unit"], "of what is turned, not of the motor"))
        )
    else:
        driver, link = "modbus_rotary", link_of(answers, what)
        own = modbus_drive.CAUTION + lines(4, modbus_drive.keys(answers, what, "deg"))
    return f"  {what}_motor:\n    driver: {driver}\n    link: {link}\n{own}" + lines(
        4,
        (
            ("zero_at", answers[f"{what}_zero_at"], "the controller's number where it reads 0"),
            ("travel_deg", answers[f"{what}_travel_deg"], "inside its stops; 5 degrees are for the run-up"),
            ("top_speed_deg_s", 30.0, "a guess on the safe side, no higher than the controller's own"),
            ("acceleration_deg_s2", 100.0, "the same"),
            ("home_search_deg", answers[f"{what}_home_search_deg"], "give up looking for the switch after this"),
        ),
    )


def roles(answers: Answers) -> dict[str, str]:
    """Who plays which part."""
    return {TURNED[what]: f"{what}_motor" for what in answers["rings"]}
