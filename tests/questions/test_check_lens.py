"""What the check lens says of made-up histories: which checks are on the chart, what it finds, and in which words."""

from __future__ import annotations

import io
from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image
from rich.console import Console

from benchd.assessments.finding import Finding
from benchd.cli.tables import finding_in_short
from benchd.metrology.control_chart import BASELINE
from benchd.questions.check_lens import CheckLens
from benchd.questions.check_lens.assessment import AGAIN, CHARTED, SCATTER, CheckInput, assess
from benchd.questions.check_lens.history import Check, earlier_checks
from benchd.questions.check_lens.picture import draw
from benchd.questions.evidence import Earlier, find_earlier

SETUP = {"adapters": ["ring-07"], "support": None, "distance_mm": 5000.0, "m": {"value": 0.01, "u": 1e-4}}
MEASURAND = {"arrangement": "wall", "ring": "infinity", "f_number": 2.0, "merit": "edge", "lp_mm": 40.0,
             "light_nm": 546.0, "glass": ["pane-25"], "reference_C": 20.0, "response": "system"}  # fmt: skip
QUIET = [0.0, 1.0] * (BASELINE // 2)
"""Mean .5, each moving range 1: limits .5 +- 2.6587."""


def flange(value: float, number: int, **more: Any) -> dict[str, Any]:
    """A finding of best focus, on the so-manieth morning of a year."""
    day = f"{np.datetime64('2031-03-01') + number}"
    error = {"value": value, "unit": "um", "u": 2.0, "dof": None, "k": 1.96, "U": 3.92}
    doc = {
        "finding": f"f-{number}", "assessment": "flange", "run": f"r-{number:04d}", "setup": number, "lens": "L-0400",
        "at": f"{day}T08:10:00.000Z", "version": "0", "measurand": MEASURAND, "absolute": True,
        "values": {"focus_error": error},
        "budgets": {"focus_error": [{"term": "base", "u": 2.0, "type": "B", "dof": None, "source": "cal-1"}]},
        "verdict": None, "advice": None, "notes": ["Pupil fill not shown."],
        "readings": {"run": f"r-{number:04d}", "indices": [0, 15]}, "calibrations": ["cal-1", "cal-2"],
    }  # fmt: skip
    return Finding.model_validate(doc | more).as_json()


def checked(
    history: Sequence[Earlier], doc: dict[str, Any], setup: dict[str, Any] = SETUP, shims_um: float = 50.0
) -> dict[str, Any]:
    """The finding of a check after this history, newest first."""
    today = Check.of(doc, setup, shims_um)
    before, notes = earlier_checks(history, today, CheckLens.looks_back_over)
    head = {key: doc[key] for key in ("finding", "run", "setup", "lens", "at", "version")}
    return assess(CheckInput(head | {"assessment": "check_lens"}, doc, today, before, notes)).as_json()


def mornings(values: Sequence[float], **more: Any) -> list[Earlier]:
    """The history of checks with these values, newest first: each is a finding of its own, as in the record."""
    history: list[Earlier] = []
    for number, value in enumerate(values):
        history.insert(0, Earlier(checked(history, flange(value, number, **more)), SETUP))
    return history


def after(values: Sequence[float]) -> dict[str, Any]:
    """The finding of the last of these checks."""
    return dict(mornings(values)[0].finding)


def state(doc: dict[str, Any]) -> list[Any]:
    return list(doc["tables"]["state"]["rows"][0])


def test_too_few_have_neither_mean_nor_limits() -> None:
    doc = after(QUIET[:5])
    assert state(doc) == ["too few", None, None, None, 5, BASELINE]
    assert {name: one["value"] for name, one in doc["values"].items()} == {"focus_error": 0.0, "shims": 50.0}
    assert CheckLens().said(doc) == (
        "By check lens L-0400 the bench cannot be judged yet: this is check 5 of the 12 that the limits are taken from."
    )
    assert SCATTER not in doc["notes"]


def test_trusted() -> None:
    doc = after([*QUIET, 0.9])
    values = {name: one["value"] for name, one in doc["values"].items()}
    # 3/d2 = 2.6587 (order statistics); the average after one value, and sqrt(.2/1.8 (1 - .8^2)) of 2.6587 (e-Handbook,
    # 6.3.2.4).
    assert values == pytest.approx(
        {"departure": 0.4, "focus_error": 0.9, "shims": 50.0, "centre": 0.5, "low": 0.5 - 2.6587, "high": 0.5 + 2.6587,
         "average": 0.58, "average_low": 0.5 - 0.2 * 2.6587, "average_high": 0.5 + 0.2 * 2.6587},
        abs=1e-4,
    )  # fmt: skip
    assert next(iter(values)) == "departure"
    assert doc["verdict"] is None
    assert CheckLens().said(doc) == (
        "The bench is trusted: check lens L-0400 stands +0.4 µm from its mean of 12, within ±2.7 µm."
    )
    assert doc["notes"] == ["The limits are of the 12 checks from 2031-03-01 to 2031-03-12.", SCATTER]


def test_drifting() -> None:
    # From the mean 0, -.1, 1.5, 1.9, 1.4, 1.7, 1.8; each a fifth of it and four fifths of the average before: 1.122.
    # Its limits after seven are 2.6587 / 3 sqrt(1 - .8^14) = .867 (e-Handbook, 6.3.2.4).
    doc = after([*QUIET, 0.5, 0.4, 2.0, 2.4, 1.9, 2.2, 2.3])
    assert state(doc) == ["drifting", "deeper", "2031-03-15T08:10:00.000Z", 5, 19, BASELINE]
    assert CheckLens().said(doc) == (
        "The bench drifts: deeper since 2031-03-15 (5 checks); the average of the last checks stands +1.12 µm from the "
        "mean, outside ±0.87 µm, and check lens L-0400 stands +1.8 µm from its mean of 12, within ±2.7 µm."
    )
    assert doc["notes"][-1] == AGAIN


def test_not_to_be_trusted() -> None:
    doc = after([*QUIET, 0.5, -19.5])
    assert state(doc) == ["not", "shallower", "2031-03-14T08:10:00.000Z", 1, 14, BASELINE]
    assert CheckLens().said(doc) == (
        "The bench is not to be trusted: check lens L-0400 stands −20.0 µm from its mean of 12, shallower and outside "
        "±2.7 µm. Find the cause (seats, temperature, adapters) before lenses are judged."
    )
    assert "outside ±2.7 µm since 2031-03-14 (2 checks). Find" in CheckLens().said(after([*QUIET, 0.5, -19.5, -19.0]))


def test_other_calibrations_begin_anew() -> None:
    history = mornings([*QUIET, 0.5])
    doc = checked(history, flange(7.0, 20, calibrations=["cal-1", "cal-9"]))
    assert state(doc)[0::4] == ["too few", 1]
    assert doc["notes"] == [
        "The calibrations are not those of 2031-03-13 and before: the baseline begins anew, as a new zero shifts every "
        "value."
    ]
    # Their order is no matter, and what was before them stays behind when they come back.
    assert state(checked(history, flange(0.5, 20, calibrations=["cal-2", "cal-1"])))[0::4] == ["trusted", 14]
    again = [Earlier(doc, SETUP), *history]
    assert state(checked(again, flange(0.5, 21)))[0::4] == ["too few", 1]


def test_other_shims_begin_anew() -> None:
    doc = checked(mornings([*QUIET, 0.5]), flange(-9.5, 20), shims_um=60.0)
    assert state(doc)[0::4] == ["too few", 1]
    assert doc["notes"] == ["Up to 2031-03-13 it had 50 µm of shims under it, and now 60: the baseline begins anew."]


@pytest.mark.parametrize(
    ("doc", "setup", "told"),
    [
        ({"measurand": MEASURAND | {"glass": []}}, SETUP, "glass"),
        ({"measurand": MEASURAND | {"f_number": 4.0, "lp_mm": 20.0}}, SETUP, "f number, lp mm"),
        ({"measurand": MEASURAND | {"ring": {"mark": 2.0}}}, SETUP, "ring"),
        ({"measurand": MEASURAND | {"arrangement": "collimated"}}, SETUP, "arrangement"),
        ({}, SETUP | {"adapters": ["ring-08"]}, "adapters"),
        ({}, SETUP | {"m": None}, "m stated"),
        ({}, SETUP | {"m": {"value": 0.01, "u": 1e-6, "by": "marks"}}, "m stated"),
        ({"absolute": False, "why_relative": ["the wall's distance is not stated"]}, SETUP, "zero"),
    ],
)
def test_what_was_measured_otherwise_is_passed_over(doc: dict[str, Any], setup: dict[str, Any], told: str) -> None:
    history = mornings([*QUIET, 0.5])
    other = checked(history, flange(400.0, 20, **doc), setup)
    assert state(other)[0::4] == ["too few", 1]
    assert other["notes"] == [f"13 earlier checks are not on this chart, measured otherwise ({told})."]
    # The old chart goes on afterwards as if it had not been.
    back = checked([Earlier(other, setup), *history], flange(0.5, 21))
    assert state(back)[0::4] == ["trusted", 14]
    assert back["notes"][0] == f"1 earlier check is not on this chart, measured otherwise ({told})."


def test_what_is_forgotten_of_a_long_history_is_told() -> None:
    history = mornings([*QUIET, 0.5])
    today = Check.of(flange(0.5, 20), SETUP, 50.0)
    before, notes = earlier_checks(history, today, 13)
    assert (len(before), notes) == (
        13, ["Of a longer history the last 13 checks are looked at, and the limits are of their first."]
    )  # fmt: skip
    assert earlier_checks(history, today, 14)[1] == []
    anew = Check.of(flange(0.5, 20, calibrations=["cal-9"]), SETUP, 50.0)
    (note,) = earlier_checks(history, anew, 13)[1]
    assert "begins anew" in note, "and what lies beyond would not count in any case"


class OfARecord:
    """A record with these findings, newest first, each with its set-up."""

    def __init__(self, docs: list[dict[str, Any]]) -> None:
        self.docs = docs

    async def findings(self, *, assessment: str, lens: str, limit: int) -> list[dict[str, Any]]:
        return [doc for doc in self.docs if (doc["assessment"], doc["lens"]) == (assessment, lens)][:limit]

    async def setup(self, rev: int) -> SimpleNamespace:
        return SimpleNamespace(doc={"rev": rev})


async def test_the_last_finding_of_each_other_run_is_looked_back_to() -> None:
    runs = ["r-0004", "r-0004", "r-0003", "r-0002", "r-0002", "r-0001"]
    docs = [
        {"assessment": "check_lens", "lens": "L-0400", "run": run, "setup": 9 - i, "finding": f"f-{9 - i}"}
        for i, run in enumerate(runs)
    ]
    docs.insert(3, docs[3] | {"lens": "L-0401", "finding": "f-0"})
    document = SimpleNamespace(lens="L-0400")
    bench: Any = SimpleNamespace(store=OfARecord(docs), setup=SimpleNamespace(document=document))
    run: Any = SimpleNamespace(id="r-0004")
    found = await find_earlier(bench, run, "check_lens", 250)
    assert [one.finding["finding"] for one in found] == ["f-7", "f-6", "f-4"]
    assert [one.setup["rev"] for one in found] == [7, 6, 4]
    assert [one.finding["finding"] for one in await find_earlier(bench, run, "check_lens", 2)] == ["f-7", "f-6"]
    assert [one.finding["finding"] for one in await find_earlier(bench, run, "check_lens")] == ["f-7"]
    assert await find_earlier(bench, run, None, 250) == ()
    document.lens = None
    assert await find_earlier(bench, run, "check_lens", 250) == ()


def test_a_wall_further_off_is_on_the_same_chart() -> None:
    """The figure is in the focus error; only what is not stated at all leads to nominal by another way."""
    doc = checked(mornings([*QUIET, 0.5]), flange(0.6, 20), SETUP | {"distance_mm": 6000.0})
    assert state(doc)[0::4] == ["trusted", 14]


def test_a_baseline_of_one_day_and_one_that_was_not_steady_are_told() -> None:
    history: list[Earlier] = []
    for value in [*QUIET[:5], 30.0, *QUIET[6:], 0.5]:
        history.insert(0, Earlier(checked(history, flange(value, 0)), SETUP))
    notes = history[0].finding["notes"]
    assert "The limits are of 12 checks of one day, 2031-03-01: what changes from day to day is not in them." in notes
    assert "The baseline was not steady: of its own limits, the check of 2031-03-01 lies outside." in notes


def test_the_table_has_the_newest_and_counts_from_the_first() -> None:
    doc = after([*QUIET, *[0.5] * 60])
    rows = doc["tables"]["checks"]["rows"]
    assert (len(rows), rows[0][0], rows[-1]) == (
        CHARTED, 73 - CHARTED, [72, "2031-05-11T08:10:00.000Z", 0.5, pytest.approx(0.5)]
    )  # fmt: skip


def test_it_is_printed_with_its_sentence() -> None:
    console = Console(file=io.StringIO(), width=110)
    console.print(finding_in_short(after([*QUIET, 0.9])))
    text = " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]
    assert "Check lens of L-0400" in text
    assert "The bench is trusted: check lens L-0400 stands +0.4 µm from its mean of 12, within ±2.7 µm." in text
    assert "Verdict" not in text


def pixels(picture: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(picture)).convert("RGB"), dtype=np.int16)


@pytest.mark.parametrize("values", [QUIET[:1], QUIET, [*QUIET, 0.5], [*QUIET, 0.5, -19.5], [*QUIET, *[0.5] * 60]])
def test_a_picture_of_any_state_stays_on_its_sheet(values: list[float]) -> None:
    doc = after(values)
    assert CheckLens.draws(doc) == "control chart"
    picture = draw(doc, dpi=100)
    assert picture == draw(doc, dpi=100), "the same finding gives the same file"
    seen = pixels(picture)
    assert seen.shape == (600, 1000, 3)
    for edge in (seen[:4], seen[-4:], seen[:, :4], seen[:, -4:]):
        assert (edge == 255).all()


def test_average_and_limits_are_drawn_once_there_are_any() -> None:
    green, purple = (0x00, 0x9E, 0x73), (0xA6, 0x43, 0x7F)
    few, enough = (pixels(draw(after(values))) for values in (QUIET, [*QUIET, 0.5, 0.6]))
    for colour in (green, purple):
        near = [int((np.abs(seen - colour).max(axis=2) < 12).sum()) for seen in (few, enough)]
        assert near[0] == 0
        assert near[1] > 100
