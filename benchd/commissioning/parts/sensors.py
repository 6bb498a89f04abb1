"""Meters of the room: its temperature, how far the wall is, how the bench leans."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.commissioning import parsing
from benchd.commissioning.parsing import NONE
from benchd.commissioning.parts.meter_line import Applies, meter_places, meter_questions, meter_text
from benchd.commissioning.question import Answers, Places, Question, at
from benchd.commissioning.yaml_text import guess, lines
from benchd.files.bounds import Within

SENSORS = "What tells of the room"
ROLES = {"temperature": "thermometer", "range": "rangefinder", "level": "tilt"}
"""Each role and the device that plays it."""
WORTH = """\
# What the readings are worth; one that is older than `oldest_s` (60) or cannot be had is typed.
sensors:
"""


def _sensor(role: str) -> Applies:
    return lambda answers: role in answers.get("sensors", ())


QUESTIONS: tuple[Question, ...] = (
    Question(
        SENSORS,
        "sensors",
        f"What meters tell by themselves, of {', '.join(ROLES)} (how the bench leans), with commas between; {NONE}",
        parsing.some_of(*ROLES),
        NONE,
    ),
    *meter_questions(SENSORS, "thermometer", _sensor("temperature")),
    Question(
        SENSORS,
        "thermometer_u_K",
        "How well it tells the room's temperature, standard uncertainty in K",
        parsing.number(Within(0.01, 5.0, "K")),
        "0.5",
        _sensor("temperature"),
    ),
    *meter_questions(SENSORS, "rangefinder", _sensor("range")),
    Question(
        SENSORS,
        "rangefinder_offset_mm",
        "From its reading to the distance of the target from the wall, the carriage at 0, in mm",
        parsing.length("mm", Within(-5e3, 5e3, "mm")),
        None,
        _sensor("range"),
    ),
    Question(
        SENSORS,
        "rangefinder_u_mm",
        "How well it tells that, standard uncertainty in mm",
        parsing.length("mm", Within(0.01, 100.0, "mm")),
        "5",
        _sensor("range"),
    ),
    *meter_questions(SENSORS, "tilt", _sensor("level")),
    Question(
        SENSORS,
        "tilt_most_arcmin",
        "How far the bench may lean, in arc minutes, before findings say so",
        parsing.number(Within(0.01, 600.0, "arcmin")),
        "10",
        _sensor("level"),
    ),
)


PLACES: Places = {
    **{key: places for who in ROLES.values() for key, places in meter_places(who).items()},
    **at("sensors.temperature", {"thermometer_u_K": "u_K ."}),
    **at("sensors.range", {"rangefinder_offset_mm": "offset_mm .", "rangefinder_u_mm": "u_mm"}),
    **at("sensors.level", {"tilt_most_arcmin": "most_arcmin ."}),
    "sensors": ("sensors", *(f"roles.{role}" for role in ROLES)),
}


def devices(answers: Answers) -> str:
    """Those that there are."""
    return "".join(meter_text(answers, ROLES[role]) for role in answers["sensors"])


def roles(answers: Answers) -> dict[str, str]:
    """Who plays which part."""
    return {role: ROLES[role] for role in answers["sensors"]}


def section(answers: Answers, guessed: Sequence[str]) -> str:
    """What the readings are worth."""
    found = ""
    if answers["sensors"]:
        found += WORTH
    if "temperature" in answers["sensors"]:
        found += "  temperature:\n" + lines(
            4, (("u_K", answers["thermometer_u_K"], guess("thermometer_u_K", guessed)),)
        )
    if "range" in answers["sensors"]:
        u = ("u_mm", answers["rangefinder_u_mm"], guess("rangefinder_u_mm", guessed))
        why = "from the reading to the target, the carriage at 0"
        found += "  range:\n" + lines(4, (u, ("offset_mm", answers["rangefinder_offset_mm"], why)))
    if "level" in answers["sensors"]:
        found += "  level:\n" + lines(4, (("most_arcmin", answers["tilt_most_arcmin"], "`beyond: refuse` refuses"),))
    return found and f"{found}\n"
