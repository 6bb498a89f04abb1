"""Steps held against what stands before them: names, findings, answers, roles, other procedures."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

import pytest

from benchd.errors import Refused
from benchd.files.problems import FileProblems
from benchd.procedures.check import check_procedure
from benchd.procedures.language import read_procedure
from benchd.procedures.library import Library

INPUTS = """
  lens: {type: lens}
  adapters: {type: list, of: adapter}
  some: {type: list, of: adapter, min: 1}
  repeats: {type: integer, default: 5, min: 1, max: 20}
  often: {type: integer, default: 5, max: 900}
  x: {type: number}
  m: {type: measured, default: null}
  reference: {type: reference}
"""
ROLES = "[carriage, position, target_light, detector, indicator]"
HEAD = 13
"""Lines before the first step."""


class Said(Protocol):
    """The problems of a procedure of these steps, as `line:column key: what may`, lines from the first step on."""

    def __call__(self, steps: str, roles: str = ROLES, last: str = "") -> list[str]: ...


@pytest.fixture
def said(tmp_path: Path) -> Said:
    def check(steps: str, roles: str = ROLES, last: str = "") -> list[str]:
        path = tmp_path / "some.yaml"
        head = f"procedure: some\ntitle: t\nneeds: {{roles: {roles}}}\ninputs:{INPUTS}steps:\n"
        assert head.count("\n") == HEAD
        body = "".join(f"  {line}\n" for line in steps.strip("\n").split("\n"))
        path.write_text(head + body + (f"finally:\n  {last}\n" if last else ""), encoding="utf-8")
        file = read_procedure(path)
        library = {**Library.shipped().procedures, "some": file.procedure}
        try:
            check_procedure(file, library=library)
        except FileProblems as found:
            return [f"{one.line - HEAD}:{one.column} {one.key}: {one.allowed}" for one in found.problems]
        return []

    return check


def test_a_sound_one_has_no_problems(said: Said) -> None:
    assert (
        said("""
- setup: {lens: "${lens}", adapters: "${some}", m: "${m}", trim_um: "${x}"}
- move: {depth_um: "${reference.length_um}"}
- sweep: {repeats: "${repeats}"}
- assess: {name: flange}
- ask: {kind: yes_no, text: "More?", save: more}
- if: {answer: more, is: true}
  then: [{nominal: {}}]
- if: {finding: flange, key: verdict.is, is: fail}
  then: [{accept: {finding: flange, days: 5}}]
- for: {each: one, in: "${some}"}
  steps:
    - call: {procedure: adapter_length, inputs: {adapter: "${one}", rounds: 6}}
- if: {finding: adapter_length, key: values.length.U, above: 3}
  then: []
""")
        == []
    )


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ('- setup: {lens: "${lense}"}', "1:19 steps[0].setup.lens: the name of a value known here; did you mean 'len"),
        ('- setup: {adapters: ["${a}"]}', "1:24 steps[0].setup.adapters[0]: the name of a value known here"),
        ('- move: {depth_um: "${reference.lenght_um}"}', "a key of a reference; did you mean 'length_um'?"),
        ('- move: {depth_um: "${x.value}"}', "a key of a number"),
        ('- move: {depth_um: "${m.value}"}', "a value that is always there; m may be left out"),
        ('- move: {depth_um: "${lens}"}', "1:22 steps[0].move.depth_um: a number; ${lens} is a lens"),
        ('- sweep: {repeats: "${x}"}', "1:22 steps[0].sweep.repeats: a whole number"),
        ('- sweep: {repeats: "${often}"}', "1:22 steps[0].sweep.repeats: a number, at most 100"),
        ('- sweep: {repeats: "${m}"}', "1:22 steps[0].sweep.repeats: a whole number"),
        ('- setup: {adapters: "${lens}"}', "steps[0].setup.adapters: a list"),
        ('- setup: {lens: "${adapters}"}', "steps[0].setup.lens: text; ${adapters} is a list of adapter"),
        ('- repeat: "${adapters}"\n  steps: []', "1:13 steps[0].repeat: a whole number"),
        ("- accept: {finding: flange}", "steps[0].accept.finding: a finding made before this step (there is none)"),
        ("- assess: {name: flnage}", "1:20 steps[0].assess.name: an assessment; did you mean 'flange'?"),
        ("- if: {finding: flange, key: a, is: 1}\n  then: []", "1:19 steps[0].if.finding: a finding made before"),
        ("- if: {answer: more, is: 1}\n  then: []", "1:18 steps[0].if.answer: an answer saved before this step"),
        ("- call: {procedure: bench_zer}", "1:23 steps[0].call.procedure: a procedure; did you mean 'bench_zero'?"),
        ("- call: {procedure: some}", "a procedure that does not call this one in its turn"),
        ("- call: {procedure: bench_zero}", "bench_zero needs reference as well"),
        ("- call: {procedure: bench_zero, inputs: {reference: a, remount: 5}}", "did you mean 'remounts'?"),
        ("- call: {procedure: bench_zero, inputs: {reference: a, remounts: 1}}", "inputs.remounts: a whole number"),
        ('- call: {procedure: bench_zero, inputs: {reference: "${lens}"}}', "a reference; ${lens} is a lens"),
        ('- ask: {kind: number, text: x, save: lens}', "1:40 steps[0].ask.save: a name of its own"),
        ('- for: {each: lens, in: [a]}\n  steps: []', "a name of its own"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told_at_its_place(said: Said, steps: str, expected: str) -> None:
    found = said(steps)
    assert len(found) == 1, found
    assert expected in found[0]


@pytest.mark.parametrize(
    ("ask", "condition", "expected"),
    [
        ("kind: choice, text: x, choices: [a, b]", "is: c", "one of the choices: a, b"),
        ("kind: choice, text: x, choices: [a, b]", "is: a", ""),
        ("kind: yes_no, text: x", "is: 'yes'", "true or false"),
        ("kind: yes_no, text: x", "is: false", ""),
        ("kind: number, text: x", "above: 5", ""),
        ("kind: text, text: x", "above: 5", "'is', as the answer is no number"),
    ],
)
def test_a_condition_fits_the_answer(said: Said, ask: str, condition: str, expected: str) -> None:
    found = said(f"- ask: {{{ask}, save: a}}\n- if: {{answer: a, {condition}}}\n  then: []")
    assert expected in found[0] if expected else not found, found


@pytest.mark.parametrize(
    ("before", "there"),
    [
        ("- if: {answer: q, is: true}\n  then: [STEP]\n  else: []", False),
        ("- if: {answer: q, is: true}\n  then: [STEP]\n  else: [STEP]", True),
        ("- repeat: 0\n  steps: [STEP]", False),
        ("- repeat: 1\n  steps: [STEP]", True),
        ('- repeat: "${repeats}"\n  steps: [STEP]', True),
        ('- repeat: "${often}"\n  steps: [STEP]', False),
        ('- for: {each: one, in: "${adapters}"}\n  steps: [STEP]', False),
        ('- for: {each: one, in: "${some}"}\n  steps: [STEP]', True),
    ],
)
@pytest.mark.parametrize(
    ("step", "use"),
    [
        ("{ask: {kind: number, text: x, save: a}}", "- if: {answer: a, above: 1}\n  then: []"),
        ("{ask: {kind: number, text: x, save: a}}", '- move: {depth_um: "${a}"}'),
        ("{assess: {name: flange}}", "- accept: {finding: flange}"),
    ],
)
def test_only_what_has_surely_happened_may_be_built_upon(
    said: Said, before: str, there: bool, step: str, use: str
) -> None:
    ask = '- ask: {kind: yes_no, text: "q", save: q}\n'
    found = said(f"{ask}- sweep: {{}}\n{before.replace('STEP', step)}\n{use}")
    assert bool(found) is not there, found


def test_a_loops_variable_ends_with_its_loop(said: Said) -> None:
    found = said('- for: {each: one, in: "${some}"}\n  steps: []\n- setup: {adapters: ["${one}"]}')
    assert len(found) == 1
    assert "the name of a value known here" in found[0]


def test_the_end_builds_on_nothing_but_the_inputs(said: Said) -> None:
    steps = '- ask: {kind: number, text: "x", save: a}\n- sweep: {}\n- assess: {name: flange}'
    assert said(steps, last='- move: {depth_um: "${x}"}') == []
    assert "known here" in said(steps, last='- move: {depth_um: "${a}"}')[0]
    assert "before this step" in said(steps, last="- accept: {finding: flange}")[0]


@pytest.mark.parametrize(
    ("step", "role"),
    [
        ("home: {}", "carriage"),
        ("nominal: {}", "carriage"),
        ("setup: {follow: true}", "carriage"),
        ("move: {carriage_um: 0}", "carriage"),
        ("light: {level: 0.1}", "target_light"),
        ("read: {device: indicator}", "indicator"),
        ("camera: {gain: 1}", "detector"),
        ("sweep: {}", "detector"),
    ],
)
def test_a_role_that_is_used_is_needed(said: Said, step: str, role: str) -> None:
    assert said(f"- {step}") == []
    others = ", ".join(sorted({"carriage", "target_light", "indicator", "detector"} - {role}))
    found = said(f"- {step}", roles=f"[{others}]")
    assert found == [f"1:5 steps[0].{step.partition(':')[0]}: '{role}' among needs.roles, as this step uses it"]


def test_every_value_of_a_loop_is_tried_where_it_is_used(said: Said) -> None:
    loop = """
- for: {each: level, in: [0.2, 1.5, 1.5]}
  steps:
    - light: {level: "${level}"}
    - ask: {kind: confirm, text: "Bright at ${level}? ${nothing}"}
"""
    level, nothing = said(loop)
    assert "light.level: a number, at most 1" in level
    assert "ask.text: the name of a value known here" in nothing


def test_two_that_call_each_other_are_refused(tmp_path: Path) -> None:
    for name, other in (("one", "two"), ("two", "one")):
        text = f"procedure: {name}\ntitle: t\nsteps:\n  - call: {{procedure: {other}}}\n"
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match="does not call this one in its turn") as found:
        Library.load([tmp_path])
    assert len(found.value.problems) == 2


def test_a_shipped_name_is_not_given_twice(tmp_path: Path) -> None:
    text = "procedure: flange_check\ntitle: Mine\nsteps: [{wait: {for_s: 1}}]\n"
    (tmp_path / "mine.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match="a name of its own"):
        Library.load([tmp_path, tmp_path / "missing"])


def test_a_new_procedure_is_told_to_be_read_at_the_next_start() -> None:
    """Somebody who had just written it was told that it was not there."""
    with pytest.raises(Refused) as caught:
        Library.shipped()["flange_chek"]
    assert caught.value.advice.startswith("Did you mean flange_check?")
    assert caught.value.advice.endswith("Procedures are read when benchd starts: one added since is not known yet.")


def test_an_assessment_of_an_artefact_says_which_and_another_does_not(said: Said) -> None:
    """`of` had no effect: the artefact was an input called `reference`, and without one a run failed inside benchd."""
    assert said("- assess: {name: bench_zero}") == [
        "1:5 steps[0].assess: bench_zero needs the reference that it is of. Give `of`, such as ${reference}."
    ]
    (flange,) = said('- assess: {name: flange, of: "${reference}"}')
    assert flange.endswith("flange is of what the set-up states, and of nothing else. Leave `of` away.")
    names = ("let_down_on_ring", "set_on_base", "moved", "on_base")
    kept = "\n".join(f"- read: {{device: indicator, as: {name}}}" for name in names)
    assert said(f'{kept}\n- assess: {{name: bench_zero, of: "${{reference}}"}}') == []


@pytest.mark.parametrize(
    ("before", "told"),
    [
        ("- nominal: {}", True),
        ("- sweep: {}", False),
        ("- if: {answer: q, is: true}\n  then: [{sweep: {}}]", False),
        ('- repeat: "${often}"\n  steps: [{sweep: {}}]', False),
        ("- call: {procedure: flange_check, inputs: {lens: L-0417, adapters: [], distance_mm: 5 m}}", False),
    ],
)
def test_an_assessment_that_no_sweep_can_have_come_before_is_told(said: Said, before: str, told: bool) -> None:
    ask = '- ask: {kind: yes_no, text: "q", save: q}\n'
    found = said(f"{ask}{before}\n- assess: {{name: flange}}")
    assert [one.endswith("assess: a sweep before it") for one in found] == [True] * told


def test_an_assessment_of_readings_that_no_step_keeps_is_told(said: Said) -> None:
    """The run took half an hour of readings first, and was refused then."""
    first = "- read: {device: indicator, as: on_base}\n"
    (told,) = said(first + '- assess: {name: bench_zero, of: "${reference}"}')
    assert told.endswith("steps before it that keep the readings let_down_on_ring, set_on_base, moved")


def test_what_other_steps_go_by_stands_as_it_is(tmp_path: Path) -> None:
    """`moved_from: ${x}` ended `check` and `up` in an error of Python."""
    steps = '  - read: {device: indicator, as: first}\n  - read: {device: indicator, moved_from: "${first}"}\n'
    path = tmp_path / "tries.yaml"
    path.write_text(f"procedure: tries\ntitle: t\nneeds: {{roles: [indicator]}}\nsteps:\n{steps}")
    with pytest.raises(FileProblems) as caught:
        check_procedure(read_procedure(path))
    assert "moved_from = '${first}': a name" in str(caught.value)
