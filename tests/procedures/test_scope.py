"""Values by name: put in once, their type kept; and conditions on findings and answers."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd.errors import BenchdError, Refused
from benchd.procedures.arguments import Condition
from benchd.procedures.scope import Scope, holds, resolve, turns_by_count, turns_over_values
from benchd.procedures.steps import MODELS, AskStep, ForStep, IfStep, RepeatStep, Step


def facts(kind: str, name: str) -> Mapping[str, Any]:
    known = {("reference", "collar-45"): {"length_um": 45000.4, "u_um": 0.6}}
    if (kind, name) not in known:
        raise Refused("unknown_name", f"no {kind} {name}")
    return known[kind, name]


SCOPE = Scope(
    {"lens": "L-0417", "adapters": ["gap-03", "ring-07"], "m": None, "n": 5, "x": 2.5, "ref": "collar-45",
     "scale": {"value": 0.0101, "u": 1e-5}, "said": "${lens}"},
    {"lens": "lens", "adapters": "list of adapter", "m": "measured", "n": "integer", "x": "number", "ref": "reference",
     "scale": "measured", "said": "text"},
    facts,
)  # fmt: skip


def step(kind: type[Step], **keys: Any) -> Any:
    return kind.model_validate_json(json.dumps(keys))


def test_types_are_kept() -> None:
    setup = step(MODELS["setup"], setup={"lens": "${lens}", "adapters": "${adapters}", "m": "${m}", "trim_um": "${x}"})
    given_values = resolve(setup, SCOPE).args.given()
    assert given_values == {"lens": "L-0417", "adapters": ["gap-03", "ring-07"], "m": None, "trim_um": 2.5}
    sweep = resolve(step(MODELS["sweep"], sweep={"repeats": "${n}"}), SCOPE)
    assert sweep.args.repeats == 5
    assert isinstance(sweep.args.repeats, int)


def test_a_key_asks_the_record_or_a_part_of_the_value() -> None:
    assert resolve(step(MODELS["move"], move={"depth_um": "${ref.length_um}"}), SCOPE).args.depth_um == 45000.4
    setup = step(MODELS["setup"], setup={"m": {"value": "${scale.value}", "u": "${scale.u}"}})
    assert resolve(setup, SCOPE).args.given() == {"m": {"value": 0.0101, "u": 1e-5}}


@pytest.mark.parametrize(
    ("reference", "code"),
    [("${nobody}", "unknown_name"), ("${lens.length_um}", "unknown_name"), ("${m.value}", "bad_request"),
     ("${n.value}", "unknown_name"), ("${adapters}", "bad_request"), ("${lens}", "bad_request")],
)  # fmt: skip
def test_a_name_that_stands_for_nothing_that_may_stand_there_is_refused(reference: str, code: str) -> None:
    with pytest.raises(Refused) as refused:
        resolve(step(MODELS["move"], move={"depth_um": reference}), SCOPE)
    assert refused.value.code == code


@given(text=st.text(min_size=1, max_size=60) | st.sampled_from(["${lens}", "${n}", "a ${ref.length_um} b", "${said}"]))
def test_what_a_person_typed_is_never_taken_for_a_name(text: str) -> None:
    scope = SCOPE.with_value("said", text, "text")
    assert resolve(step(MODELS["setup"], setup={"support": "${said}"}), scope).args.support == text


def test_a_typed_name_does_not_become_a_number() -> None:
    with pytest.raises(Refused):
        resolve(step(MODELS["move"], move={"depth_um": "${said}"}), SCOPE.with_value("said", "${x}", "text"))


def test_a_question_says_what_it_is_about() -> None:
    ask = {"kind": "confirm", "text": "Seated?", "about": "${adapters}"}
    assert resolve(step(AskStep, ask=ask), SCOPE).args.prompt() == "Seated? (gap-03, ring-07)"
    empty = SCOPE.with_value("adapters", [], "list of adapter")
    assert resolve(step(AskStep, ask=ask), empty).args.prompt() == "Seated?"


def test_a_value_may_stand_in_the_text_of_a_question() -> None:
    """`${n}` was refused there, so that no question could say which of several things it meant."""
    ask = step(AskStep, ask={"kind": "confirm", "text": "Shim of ${x} um under ${lens}, ${n} turns?"})
    assert resolve(ask, SCOPE).args.text == "Shim of 2.5 um under L-0417, 5 turns?"
    typed = SCOPE.with_value("lens", "${n}", "text")
    assert resolve(ask, typed).args.text == "Shim of 2.5 um under ${n}, 5 turns?", "what was typed is not looked at"
    about = step(AskStep, ask={"kind": "confirm", "text": "${n}", "about": "${x}"})
    assert resolve(about, SCOPE).args.prompt() == "5 (2.5)"


JOINED = "joined to its motor as for its marks"


@pytest.mark.parametrize(
    ("turned", "text"),
    [
        ((), "Lens seated, ring at infinity, iris open? (L-0417)"),
        (("focus_ring",), f"Lens seated, iris open, focus ring {JOINED}? (L-0417)"),
        (("focus_ring", "iris_ring"), f"Lens seated, focus ring {JOINED}, iris ring {JOINED}? (L-0417)"),
    ],
)
def test_a_person_is_asked_for_a_ring_only_where_no_axis_turns_it(turned: tuple[str, ...], text: str) -> None:
    by_hand = {"focus_ring": "ring at ${said}", "iris_ring": "iris open"}
    given = {"kind": "confirm", "about": "${lens}", "text": "Lens seated?", "by_hand": by_hand}
    ask = resolve(step(AskStep, ask=given), SCOPE.with_value("said", "infinity", "text")).args
    assert ask.prompt(turned) == text


def test_a_question_of_nothing_but_rings_is_none_where_axes_turn_them() -> None:
    ask = resolve(step(AskStep, ask={"kind": "confirm", "by_hand": {"iris_ring": "iris opened again"}}), SCOPE).args
    assert ask.prompt() == "Iris opened again?"
    assert ask.prompt(("iris_ring",)) == ""
    for wrong in ({"kind": "confirm"}, {"kind": "yes_no", "text": "Open?", "by_hand": {"iris_ring": "iris open"}}):
        with pytest.raises(ValidationError):
            step(AskStep, ask=wrong)


@pytest.mark.parametrize(
    ("values", "kinds"),
    [
        ([0.2, 0.5, 1], ["number"] * 3),
        (["a", "${lens}"], ["text", "lens"]),
        ([{"value": 0.0101, "u": 1e-5}, "${scale}"], ["measured"] * 2),
        ([True, "${n}"], ["number", "integer"]),
    ],
)
def test_a_loop_goes_over_values_of_any_type_and_keeps_it(values: list[Any], kinds: list[str]) -> None:
    """It took texts only: no loop over levels of light, offsets or frequencies."""
    loop = step(ForStep, **{"for": {"each": "one", "in": values}, "steps": []})
    turns = [turn(SCOPE) for turn in turns_over_values(loop, SCOPE)]
    assert [turn.kinds["one"] for turn in turns] == kinds
    put_in = {"${lens}": "L-0417", "${scale}": {"value": 0.0101, "u": 1e-5}, "${n}": 5}
    assert [turn.values["one"] for turn in turns] == [put_in.get(str(one), one) for one in values]


def test_a_question_in_a_loop_says_which_round_it_is() -> None:
    """The same 32 questions came five times over, and nothing said how far one was."""
    ask = step(AskStep, ask={"kind": "confirm", "text": "Bridge on?"})
    text = resolve(ask, SCOPE.in_round(3, 5)).args.prompt()
    assert SCOPE.in_round(3, 5).prompt(text) == "Round 3 of 5: Bridge on?"
    assert SCOPE.in_round(2, 3).in_round(1, 5).prompt(text) == "Round 2 of 3, 1 of 5: Bridge on?"
    assert SCOPE.in_round(1, 1).prompt(text) == "Bridge on?"
    loop = step(ForStep, **{"for": {"each": "one", "in": ["a", "b"]}, "steps": []})
    assert [turn(SCOPE).rounds for turn in turns_over_values(loop, SCOPE)] == [((1, 2),), ((2, 2),)]


def test_loops() -> None:
    body: list[dict[str, Any]] = [{"nominal": {}}]
    turns = turns_by_count(step(RepeatStep, repeat="${n}", steps=body), SCOPE)
    assert [turn(SCOPE).rounds for turn in turns] == [((number, 5),) for number in range(1, 6)]
    with pytest.raises(Refused):
        turns_by_count(step(RepeatStep, repeat="${n}", steps=body), SCOPE.with_value("n", -1, "integer"))
    loop = step(ForStep, **{"for": {"each": "adapter", "in": "${adapters}"}, "steps": body})
    scopes = [turn(SCOPE) for turn in turns_over_values(loop, SCOPE)]
    assert [one.values["adapter"] for one in scopes] == ["gap-03", "ring-07"]
    assert {one.kinds["adapter"] for one in scopes} == {"adapter"}
    assert "adapter" not in SCOPE.values


def test_steps_inside_keep_their_names_until_their_turn() -> None:
    body = [{"setup": {"lens": "${later}"}}]
    branch = step(IfStep, **{"if": {"answer": "said", "is": "${lens}"}, "then": body})
    resolved = resolve(branch, SCOPE)
    assert isinstance(resolved, IfStep)
    assert resolved.if_.is_ == "L-0417"
    assert resolved.then == branch.then


FINDING: dict[str, Any] = {
    "verdict": {"is": "undecided", "p_conform": 0.4},
    "values": {"focus_error": {"value": -3.0, "U": 7.5}},
}


@pytest.mark.parametrize(
    ("condition", "outcome"),
    [
        ({"finding": "flange", "key": "verdict.is", "is": "undecided"}, True),
        ({"finding": "flange", "key": "verdict.is", "is": "fail"}, False),
        ({"finding": "flange", "key": "values.focus_error.U", "above": 7}, True),
        ({"finding": "flange", "key": "values.focus_error.U", "above": 7.5}, False),
        ({"finding": "flange", "key": "values.focus_error.value", "below": 0}, True),
        ({"finding": "relative", "key": "verdict.is", "is": "undecided"}, False),
        ({"finding": "relative", "key": "verdict.is", "is": None}, True),
        ({"finding": "relative", "key": "verdict.p_conform", "above": 0}, False),
        ({"answer": "yes", "is": True}, True),
        ({"answer": "yes", "is": 1}, False),
        ({"answer": "one", "is": True}, False),
        ({"answer": "one", "is": 1}, True),
    ],
)
def test_conditions(condition: dict[str, Any], outcome: bool) -> None:
    scope = Scope({"yes": True, "one": 1.0})
    findings: dict[str, dict[str, Any]] = {"flange": FINDING, "relative": {"verdict": None}}
    assert holds(Condition.model_validate(condition), findings, scope) is outcome


@pytest.mark.parametrize(
    "condition",
    [
        {"finding": "bench_zero", "key": "verdict.is", "is": "pass"},
        {"finding": "flange", "key": "verdict.was", "is": "pass"},
        {"finding": "flange", "key": "verdict.is.it", "is": "pass"},
        {"finding": "flange", "key": "verdict.is", "above": 1},
        {"answer": "nobody", "is": True},
        {"answer": "yes", "above": 0},
    ],
)
def test_a_condition_on_what_is_not_there_is_an_error_not_a_no(condition: dict[str, Any]) -> None:
    with pytest.raises(BenchdError):
        holds(Condition.model_validate(condition), {"flange": FINDING}, Scope({"yes": True}))
