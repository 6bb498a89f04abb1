"""The questions about motor, lamp, scale, indicator and camera."""

from __future__ import annotations

from benchd.commissioning import parsing
from benchd.commissioning.parsing import NONE
from benchd.commissioning.question import Answers, Question, where_serial, where_stated
from benchd.files.bounds import Within

CARRIAGE, LIGHT, SCALE, DIAL, CAMERA = "The carriage", "The light", "The scale", "The indicator", "The camera"


def _search(answers: Answers) -> str:
    low, high = answers["travel_um"]
    return f"{high - low + 2000.0:g}"


def _no_wall(answers: Answers) -> bool:
    """Where no wall is between, the lens says how large the target is in a picture, in pixels."""
    return bool(answers["arrangement"] != "wall")


def _line_device(part: str, who: str, what: str) -> tuple[Question, ...]:
    """The questions that any device of text lines gets."""
    port = f"{who}_port"
    ask = f"What is sent to the {what} to be told its reading, one line of text, such as P?"
    answer = "What it answers: a pattern with the number in (..), such as ^P=([-+0-9.]+)$"
    return (
        Question(
            part,
            port,
            f"Port of the {what}, which answers a line of text; {NONE} without one",
            parsing.or_none(parsing.port),
            NONE,
        ),
        Question(
            part,
            f"{who}_baud",
            "Its baud rate, by its manual",
            parsing.whole(50, 12_000_000),
            "115200",
            where_serial(port),
        ),
        Question(part, f"{who}_ask", ask, parsing.words, None, where_stated(port)),
        Question(part, f"{who}_pattern", answer, parsing.pattern, None, where_stated(port)),
        Question(
            part,
            f"{who}_um_per_unit",
            "How many µm one unit of that number is: 1000 where it tells millimetres",
            parsing.number(Within(-30e3, 30e3, "um")),
            "1",
            where_stated(port),
        ),
        Question(
            part,
            f"{who}_resolution_um",
            "Its last digit, in µm",
            parsing.length("um", Within(1e-4, 100.0, "um")),
            None,
            where_stated(port),
        ),
    )


HARDWARE: tuple[Question, ...] = (
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
    Question(
        LIGHT,
        "light",
        "Is the lamp dimmed by that controller (its spindle or laser output)? yes or no",
        parsing.choice("yes", "no"),
        "yes",
    ),
    Question(
        LIGHT,
        "pwm_hz",
        f"How many pulses a second the lamp is dimmed by; {NONE} where it is dimmed without pulses or nobody knows",
        parsing.or_none(parsing.number(Within(10.0, 1e6, "Hz"))),
        NONE,
        lambda answers: answers.get("light") == "yes",
    ),
    *_line_device(SCALE, "scale", "scale or encoder that tells where the carriage is"),
    Question(
        SCALE,
        "scale_u",
        "How true its length is, relative standard uncertainty: 0.00001 is 1 µm in 100 mm",
        parsing.number(Within(1e-8, 0.01)),
        "0.0001",
        where_stated("scale_port"),
    ),
    Question(
        SCALE,
        "scale_subdivision_um",
        "Amplitude of its error within one period, in µm",
        parsing.length("um", Within(0.0, 100.0, "um")),
        "5",
        where_stated("scale_port"),
    ),
    Question(
        SCALE,
        "scale_reference_ask",
        f"What is sent to ask whether its reference mark has been passed; {NONE} without a mark",
        parsing.or_none(parsing.words),
        NONE,
        where_stated("scale_port"),
    ),
    Question(
        SCALE,
        "scale_reference_pattern",
        "The pattern of the answer that says yes",
        parsing.any_pattern,
        None,
        where_stated("scale_reference_ask"),
    ),
    *_line_device(DIAL, "indicator", "dial or digital indicator by which lengths are taken"),
    Question(
        DIAL,
        "indicator_grows",
        "Which way its reading grows: deeper (as the tip reaches deeper) or shallower (as it is pushed in)",
        parsing.choice("deeper", "shallower"),
        None,
        where_stated("indicator_port"),
    ),
    Question(
        DIAL,
        "indicator_range_um",
        "Its range in µm, lowest and highest reading, such as -500, 500",
        parsing.span("um"),
        None,
        where_stated("indicator_port"),
    ),
    Question(
        DIAL,
        "indicator_hysteresis_um",
        "Its hysteresis: by how much it reads differently coming from the other side, in µm",
        parsing.length("um", Within(0.0, 100.0, "um")),
        "3",
        where_stated("indicator_port"),
    ),
    Question(
        DIAL,
        "indicator_u_gain",
        "How true its readings are, relative standard uncertainty: 0.001 is 1 µm in 1 mm",
        parsing.number(Within(1e-6, 0.2)),
        "0.01",
        where_stated("indicator_port"),
    ),
    Question(
        CAMERA,
        "camera_url",
        f"URL that answers with one picture of the camera; {NONE} without a camera",
        parsing.or_none(parsing.url),
        NONE,
    ),
    Question(
        CAMERA,
        "camera_settings_url",
        f"URL that sets its exposure, with {{exposure_ms}} and {{gain}} in it; {NONE} without one",
        parsing.or_none(parsing.url),
        NONE,
        where_stated("camera_url"),
    ),
    Question(
        CAMERA,
        "camera_time_header",
        f"Header of its answer that tells when the picture was taken; {NONE} without one",
        parsing.or_none(parsing.words),
        NONE,
        where_stated("camera_url"),
    ),
    Question(
        CAMERA,
        "camera_orientation",
        "How its picture stands: upright, upside_down, mirrored, mirrored_upside_down, turned_left or turned_right",
        parsing.choice("upright", "upside_down", "mirrored", "mirrored_upside_down", "turned_left", "turned_right"),
        "upright",
        where_stated("camera_url"),
    ),
    Question(
        CAMERA,
        "camera_linear",
        "Are its numbers proportional to light (raw pictures)? yes or no; with no findings get a line "
        "for an unknown curve",
        parsing.choice("yes", "no"),
        "no",
        where_stated("camera_url"),
    ),
    Question(
        CAMERA,
        "camera_pixel_um",
        "Side of one pixel of the sensor, in µm, by its data sheet",
        parsing.length("um", Within(0.3, 200.0, "um")),
        None,
        where_stated("camera_url", _no_wall),
    ),
    Question(
        CAMERA,
        "camera_u_pixel_um",
        "How well that is known, standard uncertainty in µm",
        parsing.length("um", Within(1e-5, 20.0, "um")),
        lambda answers: f"{0.002 * answers['camera_pixel_um']:.3g}",
        where_stated("camera_url", _no_wall),
    ),
)
