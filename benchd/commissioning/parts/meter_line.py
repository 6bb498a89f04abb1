"""A meter: by what it is reached, what its number is worth, and what the file says of that."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchd.commissioning import parsing
from benchd.commissioning.link_text import line_places, link_of, next_unit, where_first
from benchd.commissioning.parsing import NONE
from benchd.commissioning.question import Answers, Places, Question, at
from benchd.commissioning.yaml_text import lines
from benchd.files.bounds import Within

TELLS = {
    "thermometer": ("temperature", "degC"),
    "rangefinder": ("distance", "mm"),
    "tilt": ("tilt", "arcmin"),
    "diode": ("light", "V"),
}
"""Quantity and unit."""
WIDE = ("int32", "uint32", "float32")

Applies = Callable[[Answers], bool]


def meter_questions(part: str, who: str, applies: Applies) -> tuple[Question, ...]:
    """Those about a meter that there is where `applies`."""

    def by(*kinds: str) -> Applies:
        return lambda answers: answers.get(f"{who}_by") in kinds

    def wide(answers: Answers) -> bool:
        return answers.get(f"{who}_type") in WIDE

    def new_line(answers: Answers) -> bool:
        return where_first(who)(answers)

    ask = f"What is sent to the {who}, one line of text; {NONE} where it sends its lines by itself"
    unit = TELLS[who][1]
    factor = f"How many {unit} one unit of its number is"
    return (
        Question(
            part,
            f"{who}_by",
            f"By what the {who} is reached: line (lines of text), modbus or scpi",
            parsing.choice("line", "modbus", "scpi"),
            "line",
            applies,
        ),
        Question(part, f"{who}_port", f"Port of the {who}", parsing.port, None, by("line", "modbus")),
        Question(
            part, f"{who}_baud", "Its baud rate, by its manual", parsing.whole(1200, 1_000_000), "19200", new_line
        ),
        Question(part, f"{who}_ask", ask, parsing.or_none(parsing.words), None, by("line")),
        Question(
            part,
            f"{who}_pattern",
            "Its line: a pattern with the number in (..), such as ^T=([-+0-9.]+)$",
            parsing.pattern,
            None,
            by("line"),
        ),
        Question(part, f"{who}_unit", "Its unit on the line", parsing.whole(1, 247), next_unit(who), by("modbus")),
        Question(part, f"{who}_register", "The register, counted from 0", parsing.whole(0, 65_535), None, by("modbus")),
        Question(part, f"{who}_table", "Its table", parsing.choice("input", "holding"), "input", by("modbus")),
        Question(part, f"{who}_type", "Its type", parsing.choice("int16", "uint16", *WIDE), "int16", by("modbus")),
        Question(
            part,
            f"{who}_words",
            "Which of its two words comes first",
            parsing.choice("high_first", "low_first"),
            None,
            wide,
        ),
        Question(part, f"{who}_resource", "VISA resource of the instrument", parsing.words, None, by("scpi")),
        Question(
            part,
            f"{who}_identity",
            "The begin of its answer to *IDN?, as a pattern, such as ^HOUSE,METER-6,; another instrument is refused",
            parsing.any_pattern,
            None,
            by("scpi"),
        ),
        Question(
            part,
            f"{who}_function",
            "What it is to measure, in the instrument's own word, such as VOLTage:DC",
            parsing.words,
            None,
            by("scpi"),
        ),
        Question(part, f"{who}_scale", factor, parsing.factor(Within(-1e6, 1e6)), "1", applies),
    )


def meter_places(who: str) -> Places:
    """Where the answers to these stand. Its quantity and unit were not asked for."""
    keys = {key: f"value.{key}" for key in ("table", "type", "words")}
    keys |= {key: key for key in ("ask", "pattern", "identity", "function", "scale")}
    keys |= {"unit": "unit_id", "register": "value.address value", "by": "driver quantity unit ."}
    device = at(f"devices.{who}", {f"{who}_{key}": name for key, name in keys.items()})
    return {**line_places(who, "resource"), **device}


def meter_text(answers: Answers, who: str) -> str:
    """Its device in the file."""
    by, (quantity, unit) = answers[f"{who}_by"], TELLS[who]
    driver = {"line": "line", "modbus": "modbus_meter", "scpi": "scpi_meter"}[by]
    return f"  {who}:\n    driver: {driver}\n    link: {link_of(answers, who)}\n" + lines(
        4,
        (
            *_keys(answers, who, by),
            ("quantity", quantity, ""),
            ("unit", unit, ""),
            ("scale", answers[f"{who}_scale"], f"{unit} of one unit of its number"),
        ),
    )


def _keys(answers: Answers, who: str, by: str) -> Sequence[tuple[str, object, str]]:
    if by == "modbus":
        register = {"address": answers[f"{who}_register"], "table": answers[f"{who}_table"]}
        words = answers.get(f"{who}_words")
        value = {**register, "type": answers[f"{who}_type"], **({} if words is None else {"words": words})}
        return ("unit_id", answers[f"{who}_unit"], ""), ("value", value, "the register, counted from 0")
    if by == "scpi":
        identity = ("identity", answers[f"{who}_identity"], "of its answer to *IDN?; another one is refused")
        return identity, ("function", answers[f"{who}_function"], "the instrument's own word")
    return ("ask", answers[f"{who}_ask"], ""), ("pattern", answers[f"{who}_pattern"], "")
