"""The carriage and the controller that drives it: what is asked of them, and what the file says."""

from __future__ import annotations

from benchd.commissioning import parsing
from benchd.commissioning.link_text import line_places
from benchd.commissioning.question import Answers, Places, Question, at, where_serial
from benchd.commissioning.yaml_text import lines
from benchd.files.bounds import Within

CARRIAGE = "The carriage"


def _search(answers: Answers) -> str:
    low, high = answers["travel_um"]
    return f"{high - low + 2000.0:g}"


QUESTIONS: tuple[Question, ...] = (
    Question(CARRIAGE, "carriage_port", "Port of the controller that drives the carriage (G-code)", parsing.port),
    Question(
        CARRIAGE,
        "carriage_baud",
        "Its baud rate, by its manual",
        parsing.whole(50, 12_000_000),
        "115200",
        where_serial("carriage_port"),
    ),
    Question(CARRIAGE, "letter", "The letter of its axis that moves the carriage", parsing.choice(*"xyzabcuvw"), "z"),
    Question(
        CARRIAGE,
        "um_per_unit",
        "How many µm one unit of the controller is: 1000 where it counts millimetres",
        parsing.number(Within(10.0, 30e3, "um")),
        "1000",
    ),
    Question(
        CARRIAGE,
        "positive",
        "Which way its numbers grow: deeper (away from the lens) or shallower. A stock board counts from "
        "-max to 0 at its switch",
        parsing.choice("deeper", "shallower"),
        "shallower",
    ),
    Question(
        CARRIAGE,
        "zero_at",
        "Its own number, in its units, where the carriage is to read 0; a stock board stands at -1 after homing",
        parsing.number(Within(-1e6, 1e6)),
        "-1",
    ),
    Question(
        CARRIAGE,
        "travel_um",
        "How far the carriage may go by its own reading, in µm, lowest and highest, such as 0, 30 mm",
        parsing.span("um"),
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
        CARRIAGE, "resolution_um", "One step of its motor, in µm", parsing.length("um", Within(1e-4, 100.0, "um")), "1"
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
        parsing.length("um", Within(500.0, 5e6, "um")),
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
}  # fmt: skip


def devices(answers: Answers) -> str:
    """Its axis."""
    search = "give up looking for the switch after this"
    return "  stage:\n    driver: gcode_axis\n    link: carriage_line\n" + lines(
        4,
        (
            ("letter", answers["letter"].upper(), ""),
            ("um_per_unit", answers["um_per_unit"], "one unit of the controller's"),
            ("positive", answers["positive"], "which way its numbers grow"),
            ("zero_at", answers["zero_at"], "its number where the carriage reads 0"),
            ("travel_um", answers["travel_um"], "soft limits, by the carriage's own reading"),
            ("top_speed_um_s", answers["top_speed_um_s"], ""),
            ("acceleration_um_s2", answers["acceleration_um_s2"], ""),
            ("resolution_um", answers["resolution_um"], "one step of the motor"),
            ("approach", answers["approach"], "each final approach comes from this side"),
            ("home_search_um", answers["home_search_um"], search),
        ),
    )
