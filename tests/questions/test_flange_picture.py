"""The picture of a finding: what it says in words, and that what it draws stands where the numbers say."""

from __future__ import annotations

import io
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from benchd.questions.flange import words
from benchd.questions.flange.picture import Curve, Fit, Points, draw
from benchd.reports.numbers import percent
from benchd.reports.words import crossing_sentence, measurand_line

FOCUS_GREEN = (0x00, 0x9E, 0x73)
INK = (0x1D, 0x27, 0x31)


def finding(error_um: float, *, U: float = 7.5, outcome: str | None = "fail", absolute: bool = True) -> dict[str, Any]:
    verdict = {"is": outcome, "value": "focus_error", "low": -10.0, "high": 10.0, "unit": "um",
               "p_conform": 0.024, "next": None}  # fmt: skip
    return {
        "finding": "f-310", "lens": "L-0417", "run": "r-0192", "at": "2031-04-05T09:20:02Z", "absolute": absolute,
        "measurand": {"arrangement": "wall", "ring": "infinity", "f_number": 2.0, "merit": "edge", "lp_mm": 40,
                      "light_nm": 546, "glass": ["pane-25"]},
        "values": {"focus_error": {"value": error_um, "unit": "um", "u": U / 2, "dof": 200, "k": 1.97, "U": U}},
        "verdict": verdict if absolute and outcome else None,
        "advice": {"shim_um": 20.0, "from_stock": [20.0], "residual_um": -2.4, "fitted_um": [50.0]},
    }  # fmt: skip


def curve(centre_um: float) -> Curve:
    z = centre_um + np.arange(-60.0, 61.0, 10.0)
    bell = 0.8 / (1.0 + ((z - centre_um) / 38.0) ** 2)
    u = [0.01] * z.size
    used = (np.abs(z - centre_um) < 45.0).tolist()
    return Curve(
        channels={
            "edge.v": Points(z.tolist(), (bell + 0.02).tolist(), u),
            "edge.h": Points(z.tolist(), (bell - 0.02).tolist(), u),
        },
        mean=Points(z.tolist(), bell.tolist(), u, used),
        fit=Fit(z[2:-2].tolist(), bell[2:-2].tolist(), (bell[2:-2] - 0.01).tolist(), (bell[2:-2] + 0.01).tolist()),
    )


def pixels(png: bytes) -> NDArray[np.uint8]:
    picture = Image.open(io.BytesIO(png))
    assert picture.format == "PNG"
    return np.asarray(picture.convert("RGB"))


def columns_of(picture: NDArray[np.uint8], colour: tuple[int, int, int]) -> float:
    """The middle of the columns in which the colour stands in the lower panel, in pixels."""
    lower = picture[int(0.84 * picture.shape[0]) : int(0.90 * picture.shape[0])]
    found = np.flatnonzero((lower == colour).all(axis=2).sum(axis=0) > 10)
    assert found.size
    return float(found.mean())


def test_the_same_finding_gives_the_same_file() -> None:
    first = draw(finding(17.6), curve(17.6))
    assert draw(finding(17.6), curve(17.6)) == first
    height, width, _ = pixels(first).shape
    assert (width, height) == (1500, 1050)


def test_best_focus_stands_where_the_finding_says() -> None:
    deep = pixels(draw(finding(17.6), curve(17.6)))
    short = pixels(draw(finding(-17.6), curve(-17.6)))
    assert columns_of(deep, FOCUS_GREEN) - columns_of(short, FOCUS_GREEN) > 100
    # Nominal stands in the middle of both.
    middle = (columns_of(deep, FOCUS_GREEN) + columns_of(short, FOCUS_GREEN)) / 2
    at_nominal = columns_of(pixels(draw(finding(0.0, U=25.1), curve(0.0))), FOCUS_GREEN)
    assert middle == pytest.approx(at_nominal, abs=2.0)


@pytest.mark.parametrize("outcome", ["pass", "fail", "undecided", None])
@pytest.mark.parametrize("absolute", [True, False])
def test_nothing_runs_off_the_sheet(outcome: str | None, absolute: bool) -> None:
    doc = finding(-1234.5, U=321.0, outcome=outcome, absolute=absolute)
    if not absolute:
        doc["why_relative"] = ["the bench's base is not calibrated", "nothing is stated of the carriage's position"]
    if doc["verdict"] is not None and outcome == "undecided":
        how = "measure m and the distance better; this alone will not decide it, the value is too near a limit"
        doc["verdict"]["next"] = {"dominant": "conjugate", "u_needed_um": None, "U_then_um": 123.4, "how": how}
    picture = pixels(draw(doc, curve(-1234.5), dpi=100))
    assert picture.shape[1] == 1000
    for edge in (picture[:6], picture[-6:], picture[:, :6], picture[:, -6:]):
        assert (edge == 255).all()


def test_a_finding_about_something_else_is_no_through_focus_curve() -> None:
    doc = finding(1.0)
    doc["values"] = {"bench_zero": doc["values"]["focus_error"]}
    with pytest.raises(KeyError, match="focus_error"):
        draw(doc, curve(0.0))


def test_the_plotting_library_keeps_no_state_of_its_own() -> None:
    program = "import sys; import benchd.questions.flange.picture; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
    draw(finding(1.0), curve(1.0))
    assert "matplotlib.pyplot" not in sys.modules


def test_the_words_over_it() -> None:
    assert words.headline(finding(17.6432)) == "Lens L-0417: outside tolerance"
    assert words.best_focus_sentence(finding(17.6432, U=7.512)) == (
        "Best focus 17.6 µm deeper than nominal, U = 7.5 µm (95 %, k = 1.97); probability of conformity 2.4 %."
    )
    assert words.best_focus_sentence(finding(-17.6432, absolute=False)) == (
        "Best focus 17.6 µm short of the assumed nominal, U = 7.5 µm (95 %, k = 1.97)."
    )
    assert words.headline(finding(1.0, absolute=False)) == "Lens L-0417: relative, no verdict"
    why = ["the distance to the wall is not stated"]
    relative = finding(1.0, absolute=False) | {"why_relative": why}
    assert words.advice_sentence(relative) == "No verdict: the distance to the wall is not stated."
    older = finding(1.0, absolute=False)
    assert words.advice_sentence(older) == "No verdict: the notes say why."
    assert words.headline(finding(1.0, outcome=None)) == "Lens L-0417: no tolerance stated"
    assert words.advice_sentence(finding(17.6)) == "Shims: add 20 µm to the 50 now fitted; −2.4 µm are left over."
    undecided = finding(6.0, outcome="undecided") | {"budgets": {"focus_error": [{"term": "conjugate", "u": 2.9}]}}
    undecided["verdict"]["next"] = {"dominant": "conjugate", "u_needed_um": 2.47, "U_then_um": 5.6, "how": "collimate"}
    assert words.advice_sentence(undecided) == (
        "Conjugate decides it once its u is 2.4 µm instead of 2.9; then U would be 5.6 µm: collimate."
    )
    assert measurand_line(finding(1.0)).startswith("wall  ·  ring: infinity  ·  f/2  ·  546 nm  ·  glass pane-25")


def test_a_clear_verdict_over_an_interval_that_crosses_the_limit_says_why() -> None:
    """The picture was headed 'inside tolerance' with a bar that ran over the limit, and no word of it."""
    passed = "The interval crosses a limit; the verdict goes by the probability inside: 95 % or more passes."
    assert crossing_sentence(finding(5.8, U=4.3, outcome="pass")) == passed
    assert crossing_sentence(finding(-14.0, U=4.3, outcome="fail")).endswith("5 % or less fails.")
    for clear in (
        finding(5.0, U=4.3, outcome="pass"),
        finding(9.0, U=4.3, outcome="undecided"),
        finding(9.0, outcome=None),
    ):
        assert crossing_sentence(clear) == ""


def test_shims_that_come_out_are_said_and_silence_where_there_is_nothing_to_do() -> None:
    doc = finding(-30.0)
    doc["advice"] = {"shim_um": -30.0, "from_stock": [20.0], "remove": [50.0], "residual_um": 0.0, "fitted_um": [50.0]}
    assert words.advice_sentence(doc) == "Shims: replace the 50 now fitted by 20 µm; 0 µm are left over."
    doc["advice"] = {"shim_um": 0.0, "from_stock": [], "residual_um": 1.0, "fitted_um": [50.0]}
    assert words.advice_sentence(doc) == ""


def test_a_modulation_of_lens_and_camera_is_labelled_so() -> None:
    doc = finding(1.0)
    assert words.merit_label(doc) == "Modulation at 40 lp/mm"
    doc["measurand"]["response"] = "system"
    assert words.merit_label(doc) == "Modulation of lens and camera at 40 lp/mm"


@pytest.mark.parametrize(
    ("p", "said"), [(0.0, "below 0.1 %"), (0.00099, "below 0.1 %"), (0.5, "50.0 %"), (0.9991, "above 99.9 %")]
)
def test_a_probability_is_never_rounded_to_certainty(p: float, said: str) -> None:
    assert percent(p) == said


def test_a_name_from_outside_is_drawn_and_steers_nothing() -> None:
    """Signs without a picture were drawn as boxes with a warning, and dollar signs were read as a formula."""
    evil = finding(3.0) | {"lens": "L\x1b[31m\u202e\nPASS $\\frac{$"}
    assert pixels(draw(evil, curve(3.0))).size
    same = finding(3.0) | {"lens": "L\\u001b[31m\\u202e\\u000aPASS $\\frac{$"}
    assert draw(evil, curve(3.0)) == draw(same, curve(3.0))
