"""A finding as it is printed: every figure of the document where a person looks for it, in words and not in colour."""

from __future__ import annotations

import io
import json
import math
import re
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from benchd.assessments.earlier_schemas import upgrade_finding
from benchd.assessments.finding import Finding
from benchd.cli import lines, status, tables
from benchd.questions.glass_toggle.assessment import ToggleInput, Visit, assess
from benchd.reports import numbers, words
from tests.plain_text import text_of

# The example of the project's published contract, section 4.
FINDING = upgrade_finding(json.loads((Path(__file__).parents[1] / "data" / "finding.json").read_text(encoding="utf-8")))
LINES = FINDING["budgets"]["focus_error"]

# The chain of section 3, as the set-up document holds it.
CHAIN: list[dict[str, Any]] = [
    {"term": term, "value_um": value, "u_um": u, "dof": dof, "shape": shape, "source": source, "kind": "B"}
    for term, value, u, dof, shape, source in (
        ("flange_depth", 50000.0, 0.0, None, "normal", "mount m50, bench file"),
        ("glass pane-25", 857.8, 0.9, None, "normal", "pane-25"),
        ("conjugate", 501.0, 2.9, None, "normal", "m by pitch on the wall"),
        ("trim", 0.0, 0.0, None, "normal", "operator"),
        ("base", -24012.4, 1.8, None, "normal", "cal-7"),
        ("adapter ring-07", -18003.2, 0.8, 7.9, "normal", "cal-3"),
        ("joints", 0.0, 1.0, 14, "normal", "cal-2"),
        ("thermal base", -0.7, 0.5, None, "rectangular", "operator"),
        ("carriage", 9341.5, 3.8, None, "normal", "sum of the terms"),
    )
]

CALIBRATION = upgrade_finding(json.loads("""
{"finding":"f-1","assessment":"bench_zero","run":"r-0001","setup":3,"lens":null,"job":null,"at":"2031-04-05T09:00:00Z",
 "version":"0.3.0","measurand":{"arrangement":"gauge","reference_C":20.0,"artefact":"bench-zero"},
 "absolute":true,
 "values":{"length":{"value":24012.432,"unit":"um","u":1.84,"dof":5.7,"k":2.48,"U":4.56},
           "carriage":{"value":21000.0,"unit":"um","u":null,"dof":null,"k":null,"U":null}},
 "budget":[{"term":"set down","u":1.84,"type":"A","dof":4,"source":"r-0001"},
           {"term":"resolution","u":0.058,"type":"B","dof":null,"source":"indicator","shape":"rectangular"}],
 "verdict":null,"advice":null,"notes":[],"readings":{"run":"r-0001","indices":[0,9]},"calibrations":[]}
"""))  # fmt: skip


def finding(**changes: Any) -> dict[str, Any]:
    """The published example with some keys replaced."""
    return {**deepcopy(FINDING), **changes}


def printed(doc: dict[str, Any], chain: list[dict[str, Any]] | None = None) -> str:
    """What stands in the document must be one that benchd could have written."""
    Finding.from_json(doc)
    return text_of(tables.finding(doc, chain))


def row(text: str, name: str) -> str:
    """The line that begins with `name`, with those that go on under it."""
    found = re.search(rf"^ *{re.escape(name)}.*(\n {{20}}.*)*", text, re.MULTILINE)
    assert found, f"no {name} in\n{text}"
    return re.sub(r"\s+", " ", found[0]).strip()


def test_value_and_expanded_uncertainty_stand_to_the_same_digit_with_k_and_dof() -> None:
    text = printed(finding())
    assert row(text, "Focus error").startswith(
        "Focus error +17.6 ± 7.5 µm 95 %: k = 1.96, 2600 degrees of freedom, u = 3.8 µm"
    )
    assert "Best focus is deeper than nominal." in text


@pytest.mark.parametrize(
    ("value", "U", "shown"),
    [(17.6432, 7.512, "+17.6 ± 7.5 µm"), (-0.04, 7.5, "0.0 ± 7.5 µm"), (-3.14159, 0.0961, "−3.142 ± 0.096 µm"),
     (1234.5, 97.0, "+1234 ± 97 µm"), (1234.5, 0.996, "+1234.5 ± 1.0 µm")],
)  # fmt: skip
def test_rounding_follows_the_uncertainty(value: float, U: float, shown: str) -> None:
    doc = {"value": value, "unit": "um", "u": U / 2, "dof": None, "k": 2.0, "U": U}
    assert numbers.with_interval(doc) == shown


@pytest.mark.parametrize(
    ("key", "value", "shown"),
    [
        ("m", {"value": 0.0101234, "u": 0.0000112}, "0.010123 (u = 0.000011)"),
        ("f_mm", {"value": 49.6, "u": 0.2}, "49.60 mm (u = 0.20)"),
        ("gap_mm", {"value": 0, "u": 10}, "0 mm (u = 10)"),
        ("m", {"value": 0.0125, "u": 0}, "0.0125"),
    ],
)
def test_a_standard_uncertainty_is_named_and_sets_the_digits_of_its_value(key: str, value: Any, shown: str) -> None:
    assert lines.plain(value, key) == shown


def test_plus_or_minus_is_kept_for_intervals() -> None:
    """JCGM 100, 7.2.2 and 7.2.4: after the sign stands an expanded uncertainty; a standard one is named u."""
    text = printed(finding())
    assert row(text, "Glass residual") == "Glass residual 0.00 µm (u = 0.20)"


def test_the_verdict_is_a_word_and_a_probability() -> None:
    text = row(printed(finding()), "Verdict")
    assert text == ("Verdict FAIL With probability 2.4 % the focus error lies within −10 to +10 µm (JCGM 106, 95 %).")


def test_a_probability_is_never_rounded_to_certainty() -> None:
    verdict = {**FINDING["verdict"], "is": "pass", "p_conform": 0.9996}
    assert "With probability above 99.9 % the focus error" in row(printed(finding(verdict=verdict)), "Verdict")


def test_an_undecided_verdict_says_what_would_decide_it() -> None:
    step = {"dominant": "conjugate", "u_needed_um": 2.47, "U_then_um": 5.61, "how": "collimate"}
    verdict = {**FINDING["verdict"], "is": "undecided", "p_conform": 0.31, "next": step}
    text = printed(finding(verdict=verdict))
    assert "UNDECIDED" in text
    assert row(text, "To decide it").endswith(
        "Conjugate decides it once its u is 2.4 µm instead of 2.9; then U would be 5.6 µm: collimate."
    )
    hopeless = {**step, "u_needed_um": None, "U_then_um": 3.14, "how": "collimate; this alone will not decide it"}
    alone = row(printed(finding(verdict={**verdict, "next": hopeless})), "To decide it")
    assert alone.endswith(
        "Most of the doubt is conjugate, and without it U would still be 3.1 µm: collimate; this alone will not decide "
        "it."
    )
    hopeless["U_decides_um"] = 1.279
    assert "U would still be 3.1 µm, where 1.2 µm would decide: collimate;" in row(
        printed(finding(verdict={**verdict, "next": hopeless})), "To decide it"
    )


def test_an_undecided_verdict_in_another_unit_says_it_in_that() -> None:
    step = {"dominant": "distance", "u_needed_um": None, "u_needed": 0.012, "U_then": 0.034, "how": "use a longer tape"}
    verdict = {**FINDING["verdict"], "is": "undecided", "unit": "mm", "next": step}
    assert row(printed(finding(verdict=verdict)), "To decide it").endswith(
        "Distance decides it once its u is 0.012 mm; then U would be 0.034 mm: use a longer tape."
    )


def test_an_undecided_verdict_from_before_U_was_foretold_is_shown_without_it() -> None:
    step = {"dominant": "conjugate", "u_needed_um": 2.41, "how": "collimate"}
    for needed, said in (
        (2.41, "is 2.4 µm instead of 2.9: collimate."),
        (None, "of the doubt is conjugate: collimate."),
    ):
        verdict = {**FINDING["verdict"], "is": "undecided", "next": {**step, "u_needed_um": needed}}
        doc = finding(verdict=verdict)
        assert Finding.from_json(doc).as_json()["verdict"]["next"] == {**step, "u_needed_um": needed}
        assert row(printed(doc), "To decide it").endswith(said)


def test_a_relative_finding_says_why_it_carries_no_verdict() -> None:
    why = ["the distance to the wall is not stated", "nothing is stated of the carriage's position"]
    text = re.sub(r"\s+", " ", printed(finding(absolute=False, why_relative=why, verdict=None, advice=None)))
    assert f"RELATIVE No verdict: {why[0]} and {why[1]}, so only differences count." in text
    assert f"Best focus is deeper than where nominal is assumed ({why[0]} and {why[1]})." in text
    assert "calibrated" not in text
    assert "Shims" not in text


def test_a_relative_finding_from_before_reasons_were_kept_points_to_its_notes() -> None:
    text = re.sub(r"\s+", " ", printed(finding(absolute=False, verdict=None, advice=None)))
    assert "No verdict: the notes say why, so only differences count." in text


def test_a_set_up_says_why_findings_by_it_are_relative() -> None:
    setup = {"lens": "L-0417", "absolute": False, "why_relative": ["the ring stands free"]}
    zero = dict(status.stated(setup))["Zero"]
    assert zero == "RELATIVE: the ring stands free; findings carry no verdict"
    assert "Zero" not in dict(status.stated(setup | {"absolute": True, "why_relative": []}))


@pytest.mark.parametrize(
    ("advice", "sentence", "under"),
    [
        ({"total_um": 70}, "Add 20 µm to the 50 now fitted: new total 70 µm (−2.4 µm left over).", "50,20"),
        (
            {"total_um": 70, "foretold": {"is": "pass", "p_conform": 0.9713}},
            "Add 20 µm to the 50 now fitted: new total 70 µm (−2.4 µm left over, expected then: inside tolerance, "
            "probability of conformity 97.1 %).",
            "50,20",
        ),
        (
            {"from_stock": [20, 10], "remove": [50], "total_um": 30},
            "Replace the 50 now fitted by 20 + 10 µm: new total 30 µm (−2.4 µm left over).",
            "20,10",
        ),
        (
            {"from_stock": [], "remove": [20], "fitted_um": [50, 20], "total_um": 50},
            "Remove 20 of the 50 + 20: new total 50 µm (−2.4 µm left over).",
            "50",
        ),
        ({"from_stock": [], "shim_um": 0}, "Leave the shims as they are (−2.4 µm left over).", ""),
        ({"fitted_um": [], "total_um": 20}, "Add 20 µm: new total 20 µm (−2.4 µm left over).", "20"),
        ({}, "Add 20 µm to the 50 now fitted (−2.4 µm left over).", "50,20"),  # as kept before the total was stated
        (
            {"shim_um": None, "from_stock": None, "residual_um": None, "why": "no change from stock gains enough"},
            "No change is advised (50 µm now fitted): no change from stock gains enough.",
            "",
        ),
    ],
)
def test_the_shim_advice_says_add_or_replace_and_what_will_be_under_the_lens(
    advice: dict[str, Any], sentence: str, under: str
) -> None:
    """'Fit 10 um (fitted now: 50)' was read as add 10 by one and as replace 50 by 10 by another."""
    text = printed(finding(advice={**FINDING["advice"], **advice}))
    after = f" Then `benchd run shim_proof lens=L-0417 shims_um={under}`." if under else ""
    assert row(text, "Shims") == f"Shims {sentence}{after}"


def test_a_probability_is_never_rounded_across_the_rule_s_thresholds() -> None:
    """'Probability 95.0 %' stood beside UNDECIDED: it was .9496."""
    shown = {p: numbers.percent(p) for p in (0.9496, 0.94999, 0.95, 0.951, 0.0504, 0.05, 0.97, 0.5)}
    assert shown == {
        0.9496: "94.96 %", 0.94999: "94.999 %", 0.95: "95.0 %", 0.951: "95.1 %",
        0.0504: "5.04 %", 0.05: "5.0 %", 0.97: "97.0 %", 0.5: "50.0 %",
    }  # fmt: skip


def test_what_would_decide_it_names_the_part_that_helps_and_how_far() -> None:
    line = {"term": "conjugate", "u": 2.9, "type": "B", "dof": None, "source": "setup-1187",
            "parts": [{"name": "m", "u": 2.7}, {"name": "gap", "u": 1.0}]}  # fmt: skip
    step = {"dominant": "conjugate", "part": "m", "u_needed_um": 1.3, "how": "measure m better"}
    judged = {**FINDING["verdict"], "is": "undecided", "next": step}
    text = printed(
        finding(budgets={"focus_error": [line, *(one for one in LINES if one["term"] != "conjugate")]}, verdict=judged)
    )
    assert row(text, "To decide it") == (
        "To decide it M of the conjugate line decides it once its u is 1.3 µm instead of 2.7: measure m better."
    )


def test_a_verdict_under_a_condition_says_so_beside_it() -> None:
    judged = {**FINDING["verdict"], "condition": "as measured without glass"}
    assert "That holds as measured without glass." in row(printed(finding(verdict=judged)), "Verdict")


def test_the_chain_stands_term_by_term_and_adds_up() -> None:
    text = printed(finding(), CHAIN)
    for term in CHAIN:
        line = row(text.split("Datum chain")[1].split("Uncertainty budget")[0], term["term"].replace("_", " "))
        assert term["source"] in line
    chain = text.split("Datum chain")[1]
    assert row(chain, "base") == "base −24012.4 1.8 ∞ cal-7"
    assert row(chain, "adapter ring-07") == "adapter ring-07 −18003.2 0.80 7.9 cal-3"
    assert row(chain, "thermal base") == "thermal base −0.7 0.50 ∞ operator (rectangular)"
    assert row(chain, "carriage") == "carriage 9341.5 3.8 sum of the terms"


def test_the_budget_is_largest_first_with_shares_of_the_variance_that_make_a_whole() -> None:
    budget = printed(finding()).split("Uncertainty budget")[1]
    terms = re.findall(r"^  (\w+) +[\d.]+ +(<? ?\d+) %", budget, re.MULTILINE)
    us = {line["term"]: line["u"] for line in LINES}
    assert [term for term, _ in terms] == sorted(us, key=lambda term: -us[term])
    # 2.9^2 of the sum of squares 14.69: 57.2 %, by hand.
    assert terms[0] == ("conjugate", "57")
    assert sum(int(share.strip("< ")) for _, share in terms) == pytest.approx(100, abs=len(terms) / 2)
    assert row(budget, "combined") == "combined 3.8 2600 k = 1.96: U = 7.5 µm"


def test_a_part_that_counts_less_in_the_budget_than_in_the_chain_says_why() -> None:
    """An adapter had u .56 in the one table and .53 in the other, and no word of it."""
    us = (("base", 1.8), ("adapter ring-07", 0.76), ("everything else", 3.26))
    budgets = {"focus_error": [{**LINES[0], "term": name, "u": u} for name, u in us]}
    text = " ".join(printed(finding(budgets=budgets), CHAIN).split())
    assert "Smaller than in the chain: adapter ring-07 (there 0.80). What scale, gauge and a tipping carriage" in text
    covered = [*CHAIN, {**CHAIN[0], "term": "target_cover", "u_um": 0.4}]
    assert "gauge, the target's cover and a tipping" in words.apart(budgets["focus_error"], covered)
    assert "Smaller" not in printed(finding(budgets=budgets))


def test_each_of_two_intervals_has_its_own_budget() -> None:
    given = ToggleInput(
        run="r-0009", setup=20, lens="L-0417", glass=("pane-25",), measurand={"arrangement": "wall"},
        paraxial_um=(857.8, 0.87), beyond_um=(18.7, 0.1, 1.3), u_scale=2e-4, at_a_place=(), indices=(0, 155),
        at="2031-04-05T09:20:02Z", version="0", f_number=2.0, artefact="glass.pane-25", lp_mm=40.0, light_nm=546.0,
    )  # fmt: skip
    doc = assess([Visit(50000.0 + shift, 0.1, 30.0) for shift in (0.0, 873.0, 873.0, 0.0)], given).as_json()
    text = printed(doc)
    _, shift, residual, found = text.split("Uncertainty budget")
    # By hand: .87 beside .17 of the scale and .1 of the readings; of the shift .2, which the plate alone exceeds.
    assert math.hypot(*(line["u"] for line in doc["budgets"]["residual"])) == pytest.approx(0.89, abs=0.01)
    assert doc["values"]["shift"]["u"] == pytest.approx(0.2, abs=0.01)
    assert residual.startswith(", residual")
    # Of what is taken back as the paraxial shift 1.3 by the stop, and .2 of the measured one.
    assert found.startswith(", paraxial shift found")
    assert row(found, "f-number").startswith("f-number 1.3 97 %")
    assert row(residual, "plate record").startswith("plate record 0.87 95 %")
    assert row(residual, "combined").startswith("combined 0.89 ")
    assert f": U = {numbers.significant(doc['values']['residual']['U'])} µm" in row(residual, "combined")
    assert shift.startswith(", shift by the glass")
    assert "plate record" not in shift
    assert row(shift, "combined").startswith("combined 0.20 ")


def test_a_calibration_finding_names_its_artefact_and_has_no_verdict() -> None:
    text = printed(CALIBRATION)
    assert "Bench zero of bench-zero" in text
    assert row(text, "Length") == "Length 24012.4 ± 4.6 µm 95 %: k = 2.48, 5.7 degrees of freedom, u = 1.8 µm"
    assert "Carriage stood at" in text
    assert "Verdict" not in text
    assert "no glass" not in text


def test_verdict_shims_and_notes_come_before_chain_and_budget() -> None:
    """On 24 lines one saw the end of a budget, and had to scroll for the verdict."""
    text = printed(finding(), CHAIN)
    places = [text.index(f"\n{head}") for head in ("Focus error", "Verdict", "Shims", "Glass residual", "Notes")]
    places += [text.index(head) for head in ("Datum chain", "Uncertainty budget")]
    assert places == sorted(places)
    short = text_of(tables.finding_in_short(finding()), width=80)
    assert "`benchd report f-310`" in short
    assert "Datum chain" not in short
    assert len(short.splitlines()) < 24
    assert max(map(len, short.splitlines())) <= 80


@pytest.mark.parametrize("value", [-0.0, -0.00001, 0.0])
def test_there_is_no_minus_before_nothing(value: float) -> None:
    """'offset −0 um' was printed where a carriage stood at nominal."""
    assert (numbers.short(value), numbers.short(value, sign=True)) == ("0", "0")
    assert lines.plain(value, "offset_um") == "0 µm"


def test_it_is_never_wider_than_a_hundred_columns() -> None:
    notes = ["An edge of the square could not be told from the frame, so that three edges were taken. " * 3]
    text = printed(finding(notes=notes, calibrations=[f"cal-{i}" for i in range(60)]), CHAIN)
    assert max(map(len, text.splitlines())) <= 100
    wide = Console(file=io.StringIO(), width=160, color_system=None)
    wide.print(tables.finding(finding(), CHAIN))
    assert isinstance(wide.file, io.StringIO)
    assert max(len(line.rstrip()) for line in wide.file.getvalue().splitlines()) <= 100


def test_what_a_document_says_is_never_taken_for_markup() -> None:
    console = Console(file=io.StringIO(), width=100, color_system=None)
    console.print(tables.finding(finding(notes=["[red]a note[/red] of [bold]"], calibrations=["[/]"])))
    console.print(tables.chain_table([{**CHAIN[0], "source": "[/red] bench"}]))
    assert isinstance(console.file, io.StringIO)
    told = console.file.getvalue()
    assert "[red]a note[/red] of [bold]" in told
    assert "[/red] bench" in told


def test_freedom_is_cut_off_not_rounded_up_and_without_end_is_said_so() -> None:
    # JCGM 100, G.4.2 truncates; a figure beyond use is not printed in full.
    assert [numbers.dof(value) for value in (None, 5.79, 14.9, 62519560999289.0)] == ["∞", "5.7", "14", "> 9999"]
    few = [numbers.dof(value) for value in (0.29, 0.2, 0.068, 0.0041, 1.0, 10.0, 100.0)]
    assert few == ["0.2", "0.2", "0.06", "0.004", "1", "10", "100"], "0.06 of two people stood as 0"


@pytest.mark.parametrize(
    ("topic", "doc", "said"),
    [
        ("online", True, "online               True"),
        ("finding/flange", None, "finding/flange       cleared"),
        ("finding/flange", FINDING, "f-310 L-0417: focus error +17.6 ± 7.5 µm, FAIL"),
        ("control", {"holder": None, "since": None, "idle_s": None}, "held by nobody"),
        ("device/target_light", {"state": "ok", "level": 0.4, "text": "", "code": None}, "ok, level 0.4"),
        ("device/indicator", {"state": "ok", "value": 12.4, "unit": "um", "quality": "bad"}, "reads 12.40 µm (bad)"),
        (
            "device/carriage",
            {"state": "idle", "homed": False, "why": "not homed since the start", "carriage_um": 9341.5, "stale": True},
            "idle, carriage 9341.5 µm, NOT HOMED (since the start)",
        ),
        (
            "device/carriage",
            {"state": "idle", "homed": True, "carriage_um": 9341.5, "offset_um": -0.04, "stale": True},
            "offset 0.0 µm, homed, STALE: drive to nominal",
        ),
        (
            "procedure",
            {"run": "r-0192", "procedure": "flange_check", "state": "asking", "step": 6, "of": 8, "progress": 0.4,
             "eta_s": 31, "ask": {"ask": "a-55", "text": "Lens seated?"}},
            "r-0192 flange_check asking, step 6 of 8, 40 %, 31 s to go; asks a-55: Lens seated?",
        ),
        (
            "reading",
            {"run": "r-0192", "idx": 7, "device": "detector", "channel": "edge.v", "offset_um": -12.5, "value": 0.61234,
             "u": 0.0025, "unit": "1"},
            "r-0192 7 detector edge.v offset −12.5 µm: 0.6123 (u = 0.0025)",
        ),
        (
            "event",
            {"t": "x", "code": "limit", "severity": "error", "text": "Too far.", "advice": "Go back."},
            "--:--:-- ERROR Too far. Go back. (limit)",
        ),
        ("something/new", {"light_nm": 546, "on": True}, "light 546 nm, on yes"),
    ],
)  # fmt: skip
def test_a_message_is_one_line_that_can_be_read(topic: str, doc: Any, said: str) -> None:
    line = lines.line(topic, doc)
    assert line.startswith(topic)
    assert line.endswith(said)
    assert "\n" not in line
