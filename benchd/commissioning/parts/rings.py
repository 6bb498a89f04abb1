"""Motors of the carriage's controller that turn: rings of the lens, a table."""

from __future__ import annotations

from benchd.commissioning import parsing
from benchd.commissioning.parsing import NONE
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

    def search(answers: Answers) -> str:
        low, high = answers[f"{what}_travel_deg"]
        return f"{high - low + SPARE_DEG:g}"

    named = {"turn": "table"}.get(what, f"{what} ring")
    return (
        Question(
            RINGS,
            f"{what}_letter",
            f"The letter of the axis that turns the {named}",
            parsing.choice(*"xyzabcuvw"),
            None,
            applies,
        ),
        Question(
            RINGS,
            f"{what}_deg_per_unit",
            f"How many degrees of the {named}, not of the motor, one unit of the controller is",
            parsing.number(Within(1e-3, 1000.0, "deg")),
            None,
            applies,
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
        f"What that controller turns besides, of {', '.join(TURNED)}, with commas between; {NONE} for nothing. Each "
        "needs a switch that trips before the ring's own stop is felt: a motor bends what a hand would not. Only the "
        "carriage's own controller is asked about: what a Modbus drive turns is written into the file afterwards "
        "(drivers/README.md, 'What turns')",
        parsing.some_of(*TURNED),
        NONE,
    ),
    *(question for what in TURNED for question in _of(what)),
)


_KEYS = ("letter", "deg_per_unit", "travel_deg", "zero_at", "home_search_deg")
PLACES: Places = {
    key: places
    for what in TURNED
    for key, places in at(
        f"devices.{what}_motor", {f"{what}_{key}": "letter ." if key == "letter" else key for key in _KEYS}
    ).items()
} | {"rings": tuple(f"roles.{role}" for role in TURNED.values())}


def devices(answers: Answers) -> str:
    """Those that there are; one on a Modbus drive is written by hand."""
    found = ""
    for what in answers["rings"]:
        found += f"  {what}_motor:\n    driver: gcode_rotary\n    link: carriage_line\n" + lines(
            4,
            (
                ("letter", answers[f"{what}_letter"].upper(), ""),
                ("deg_per_unit", answers[f"{what}_deg_per_unit"], "of what is turned, not of the motor"),
                ("zero_at", answers[f"{what}_zero_at"], "the controller's number where it reads 0"),
                ("travel_deg", answers[f"{what}_travel_deg"], "inside its stops; 5 degrees are for the run-up"),
                ("top_speed_deg_s", 30.0, "a guess on the safe side, no higher than the controller's own"),
                ("acceleration_deg_s2", 100.0, "the same"),
                ("home_search_deg", answers[f"{what}_home_search_deg"], "give up looking for the switch after this"),
            ),
        )
    return found and f"{found}  # One on a Modbus drive is `driver: modbus_rotary`: drivers/README.md, 'What turns'.\n"


def roles(answers: Answers) -> dict[str, str]:
    """Who plays which part."""
    return {TURNED[what]: f"{what}_motor" for what in answers["rings"]}
