"""The carriage and the controller that drives it: what is asked of them, and what the file says."""

from __future__ import annotations

from benchd.commissioning import parsing
from benchd.commissioning.link_text import line_places
from benchd.commissioning.parts import modbus_drive
from benchd.commissioning.question import Answers, Places, Question, at, where_serial
from benchd.commissioning.yaml_text import lines
from benchd.files.bounds import Within

CARRIAGE = "The carriage"

BEYOND_UM, MOST_SEARCHED_UM = 2000.0, 5e6
"""How far beyond its travel a home switch may lie, and after how far any search for it ends."""


def gcode(answers: Answers) -> bool:
    """Whether a G-code controller drives the carriage."""
    return not by_modbus(answers)


def by_modbus(answers: Answers) -> bool:
    """Whether a Modbus drive does."""
    return answers.get("carriage_by") == "modbus"


def _search(answers: Answers) -> str:
    low, high = answers["travel_um"]
    return f"{high - low + BEYOND_UM:g}"


QUESTIONS: tuple[Question, ...] = (
    Question(
        CARRIAGE,
        "carriage_by",
        "What drives the carriage: gcode (a controller that takes lines of G-code) or modbus (a drive on its line)",
        parsing.choice("gcode", "modbus"),
        "gcode",
    ),
    Question(CARRIAGE, "carriage_port", "Port of the controller that drives the carriage", parsing.port),
    Question(
        CARRIAGE,
        "carriage_baud",
        "Its baud rate, by its manual",
        parsing.whole(50, 12_000_000),
        lambda answers: "115200" if gcode(answers) else "19200",
        where_serial("carriage_port"),
    ),
    Question(
        CARRIAGE,
        "letter",
        "The letter of its axis that moves the carriage",
        parsing.choice(*"xyzabcuvw"),
        "z",
        gcode,
    ),
    *modbus_drive.asked(CARRIAGE, "carriage", "um", by_modbus),
    Question(
        CARRIAGE,
        "um_per_unit",
        "How many µm one unit of the controller is: 1000 where it counts millimetres",
        parsing.number(Within(10.0, 30e3, "um")),
        "1000",
        gcode,
    ),
    Question(
        CARRIAGE,
        "positive",
        "Which way its numbers grow: deeper (away from the lens) or shallower. A stock board counts from "
        "-max to 0 at its switch",
        parsing.choice("deeper", "shallower"),
        lambda answers: "shallower" if gcode(answers) else "deeper",
    ),
    Question(
        CARRIAGE,
        "zero_at",
        "Its own number, in its units, where the carriage is to read 0; a stock board stands at -1 after homing",
        parsing.number(Within(-1e6, 1e6)),
        lambda answers: "-1" if gcode(answers) else "0",
    ),
    Question(
        CARRIAGE,
        "travel_um",
        "How far the carriage may go by its own reading, in µm, lowest and highest, such as 0, 30 mm",
        parsing.span("um", Within(500.0, MOST_SEARCHED_UM - BEYOND_UM, "um")),
    ),
    Question(
        CARRIAGE,
        "top_speed_um_s",
        "Its top speed in µm/s, no higher than the controller's own setting",
        parsing.number(Within(10.0, 1e6, "um/s")),
        "2000",
    ),
    Question(
        CARRIAGE,
        "acceleration_um_s2",
        "Its acceleration in µm/s², no higher than the controller's own setting",
        parsing.number(Within(1.0, 1e9, "um/s2")),
        "10000",
    ),
    Question(
        CARRIAGE,
        "resolution_um",
        "One step of its motor, in µm",
        parsing.length("um", Within(1e-4, 100.0, "um")),
        "1",
        gcode,
    ),
    Question(
        CARRIAGE,
        "approach",
        "From which side each place is approached, so that slack always falls the same way: from_below "
        "(going deeper) or from_above",
        parsing.choice("from_below", "from_above"),
        "from_below",
    ),
    Question(
        CARRIAGE,
        "home_search_um",
        "After how far a search for the home switch is given up, in µm: the travel at least",
        parsing.length("um", Within(500.0, MOST_SEARCHED_UM, "um")),
        _search,
    ),
)


PLACES: Places = {
    **line_places("carriage"),
    **at("devices.stage", {"letter": "letter . driver"}),
    **at(
        "devices.stage",
        {
            key: key
            for key in ("um_per_unit", "positive", "zero_at", "travel_um", "top_speed_um_s", "acceleration_um_s2",
                        "resolution_um", "approach", "home_search_um")
        },
    ),
    **modbus_drive.places("carriage", "stage", "um"),
    **at("devices.stage", {"carriage_by": "driver ."}),
}  # fmt: skip


def devices(answers: Answers) -> str:
    """Its axis."""
    head = f"  stage:\n    driver: {'gcode' if gcode(answers) else 'modbus'}_axis\n    link: carriage_line\n"
    if gcode(answers):
        letter, one = ("letter", answers["letter"].upper(), ""), "one unit of the controller's"
        own = lines(4, (letter, ("um_per_unit", answers["um_per_unit"], one)))
    else:
        own = modbus_drive.CAUTION + lines(4, modbus_drive.keys(answers, "carriage", "um"))
    return (
        head
        + own
        + lines(
            4,
            (
                ("positive", answers["positive"], "which way its numbers grow"),
                ("zero_at", answers["zero_at"], "its number where the carriage reads 0"),
                ("travel_um", answers["travel_um"], "soft limits, by the carriage's own reading"),
                ("top_speed_um_s", answers["top_speed_um_s"], ""),
                ("acceleration_um_s2", answers["acceleration_um_s2"], ""),
                ("resolution_um", answers.get("resolution_um"), "one step of the motor"),
                ("approach", answers["approach"], "each final approach comes from this side"),
                ("home_search_um", answers["home_search_um"], "give up looking for the switch after this"),
            ),
        )
    )
