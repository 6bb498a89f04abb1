"""The scale and the indicator, which answer a line of text: what is asked of them, and what the file says."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.commissioning import parsing
from benchd.commissioning.link_text import line_places, link_of, where_first
from benchd.commissioning.parsing import NONE
from benchd.commissioning.question import Answers, Places, Question, at, where_stated
from benchd.commissioning.yaml_text import guess, lines
from benchd.files.bounds import Within

SCALE, DIAL = "The scale", "The indicator"
NAMES = {"scale": "scale", "indicator": "dial"}
"""A device is not named as a role that another plays."""


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
            where_first(who),
        ),
        Question(part, f"{who}_ask", ask, parsing.words, None, where_stated(port)),
        Question(part, f"{who}_pattern", answer, parsing.pattern, None, where_stated(port)),
        Question(
            part,
            f"{who}_um_per_unit",
            "How many µm one unit of that number is: 1000 where it tells millimetres",
            parsing.factor(Within(-30e3, 30e3, "um")),
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


QUESTIONS: tuple[Question, ...] = (
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
        parsing.span("um", Within(10.0, 500e3, "um")),
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
)


def _places(who: str, role: str, own: dict[str, str]) -> Places:
    device = f"devices.{NAMES[who]}"
    keys = {"ask": "ask .", **{key: key for key in ("pattern", "um_per_unit", "resolution_um")}, **own}
    line = {**line_places(who)}
    line[f"{who}_port"] += (f"{device}.link", f"roles.{role}")
    return {**line, **at(device, {f"{who}_{key}": names for key, names in keys.items()})}


PLACES: Places = {
    **_places(
        "scale",
        "position",
        {"u": "u_scale", **{key: key for key in ("subdivision_um", "reference_ask", "reference_pattern")}},
    ),
    **_places("indicator", "indicator", {key: key for key in ("grows", "range_um", "hysteresis_um", "u_gain")}),
}


def devices(answers: Answers, guessed: Sequence[str]) -> str:
    """Those that there are."""
    found = ""
    if answers.get("scale_port") is not None:
        found += _device(answers, "scale", "position") + lines(
            4,
            (
                ("subdivision_um", answers["scale_subdivision_um"], guess("scale_subdivision_um", guessed)),
                ("u_scale", answers["scale_u"], guess("scale_u", guessed)),
                ("reference_ask", answers.get("scale_reference_ask"), ""),
                ("reference_pattern", answers.get("scale_reference_pattern"), ""),
            ),
        )
    if answers.get("indicator_port") is not None:
        hysteresis = answers["indicator_hysteresis_um"]
        found += _device(answers, "indicator", "gauge") + lines(
            4,
            (
                ("grows", answers["indicator_grows"], "its reading, as the tip reaches deeper or is pushed in"),
                ("range_um", answers["indicator_range_um"], ""),
                ("hysteresis_um", hysteresis, guess("indicator_hysteresis_um", guessed)),
                ("u_gain", answers["indicator_u_gain"], guess("indicator_u_gain", guessed)),
            ),
        )
    return found


def _device(answers: Answers, who: str, quantity: str) -> str:
    return f"  {NAMES[who]}:\n    driver: line\n    link: {link_of(answers, who)}\n" + lines(
        4,
        (
            ("ask", answers[f"{who}_ask"], ""),
            ("pattern", answers[f"{who}_pattern"], ""),
            ("quantity", quantity, ""),
            ("um_per_unit", answers[f"{who}_um_per_unit"], ""),
            ("resolution_um", answers[f"{who}_resolution_um"], ""),
        ),
    )


def roles(answers: Answers) -> dict[str, str]:
    """Who plays which part."""
    found = {"position": "scale", "indicator": "dial"}
    return {role: name for role, name in found.items() if answers.get(f"{_WHO[role]}_port") is not None}


_WHO = {"position": "scale", "indicator": "indicator"}
