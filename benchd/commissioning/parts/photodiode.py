"""A photodiode behind a slit as the detector, in autocollimation."""

from __future__ import annotations

from benchd.commissioning import parsing
from benchd.commissioning.parts.cameras import there
from benchd.commissioning.parts.meter_line import meter_places, meter_questions, meter_text
from benchd.commissioning.question import Answers, Places, Question, at
from benchd.commissioning.yaml_text import lines
from benchd.files.bounds import Within

DIODE = "A photodiode as the detector"


def _by_photodiode(answers: Answers) -> bool:
    return bool(answers["arrangement"] == "autocollimation" and not there(answers))


def _length(key: str, text: str, most: float, default: str | None) -> Question:
    return Question(DIODE, key, text, parsing.length("um", Within(0.0, most, "um")), default, _by_photodiode)


QUESTIONS: tuple[Question, ...] = (
    *meter_questions(DIODE, "diode", _by_photodiode),
    _length("slit_um", "Width of the slit before it, through which the light leaves as well, in µm", 500.0, None),
    _length("u_slit_um", "How well that is known, standard uncertainty in µm", 20.0, None),
    Question(
        DIODE,
        "diode_settle_ms",
        "How long its amplifier takes to come to rest, in ms",
        parsing.number(Within(0.1, 10e3, "ms")),
        "100",
        _by_photodiode,
    ),
    Question(
        DIODE,
        "diode_integration_ms",
        "How often it tells a new value, in ms; 0 for one that begins when it is asked",
        parsing.number(Within(0.0, 10e3, "ms")),
        None,
        _by_photodiode,
    ),
    Question(
        DIODE,
        "diode_full_scale",
        "The most that it or its amplifier can tell, in V",
        parsing.number(Within(1e-6, 1e3, "V")),
        None,
        _by_photodiode,
    ),
)


PLACES: Places = {
    **meter_places("diode"),
    **at(
        "detectors.meter",
        {
            "slit_um": "slit_um .",
            "u_slit_um": "u_slit_um",
            **{f"diode_{key}": key for key in ("settle_ms", "integration_ms", "full_scale")},
        },
    ),
}


def devices(answers: Answers) -> str:
    """Its meter."""
    return meter_text(answers, "diode") if _by_photodiode(answers) else ""


def roles(answers: Answers) -> dict[str, str]:
    """Who plays which part."""
    return {"detector": "diode"} if _by_photodiode(answers) else {}


def section(answers: Answers) -> str:
    """What the detector is told."""
    if not _by_photodiode(answers):
        return ""
    return (
        "detectors:\n  meter:\n"
        + lines(
            4,
            (
                ("slit_um", answers["slit_um"], "one slit both ways"),
                ("u_slit_um", answers["u_slit_um"], "standard uncertainty"),
                ("settle_ms", answers["diode_settle_ms"], "of its amplifier"),
                ("integration_ms", answers["diode_integration_ms"], "so often it tells a new value"),
                ("full_scale", answers["diode_full_scale"], "V"),
                ("return_every", 5, "stations; none with a meter of the lamp in the role lamp_reference"),
            ),
        )
        + "\n"
    )
