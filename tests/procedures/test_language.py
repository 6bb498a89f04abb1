"""The step language: what a file may say, and that a wrong one is told by file, line, column, what stands, what may."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from benchd.files.problems import FileProblems
from benchd.procedures.language import read_procedure
from benchd.procedures.steps import ForStep, IfStep, RepeatStep
from benchd.procedures.values import Reference

WHOLE = """
procedure: everything
title: One of each step
needs: {roles: [carriage, target_light, detector, indicator], calibrations: [bench-zero]}
inputs:
  lens: {type: lens}
  adapters: {type: list, of: adapter, min: 1}
  depth_um: {type: length, unit: um, default: "45 mm"}
  m: {type: measured, default: null}
steps:
  - home: {}
  - setup: {lens: "${lens}", adapters: ["${lens}", gap-03], m: {value: 0.01, u: 0.0001}, ring: {mark: 2}, glass: null}
  - ask: {name: seated, kind: choice, text: "Which?", choices: ["5 more", "leave"], save: more}
  - nominal: {}
  - light: {light: target_light, level: 0.4, for_s: 10}
  - move: {axis: carriage, depth_um: "${depth_um}"}
  - read: {device: indicator, as: on_ring}
  - camera: {exposure_ms: 40, gain: 1}
  - sweep: {merit: edge, lp_mm: 40, span_um: 160, step_um: 8}
  - assess: {name: flange}
  - if: {finding: flange, key: values.focus_error.U, above: 10}
    then: [{wait: {for_s: 0}}]
    else:
      - repeat: 2
        steps: [{nominal: {}}]
  - for: {each: adapter, in: "${adapters}"}
    steps:
      - call: {procedure: adapter_length, inputs: {adapter: "${adapter}"}}
  - accept: {finding: flange, days: 180}
finally:
  - light: {light: target_light, on: false}
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "some.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> list[str]:
    path = written(folder, text)
    with pytest.raises(FileProblems) as found:
        read_procedure(path)
    return [str(problem).removeprefix(f"{path}:") for problem in found.value.problems]


def test_every_step_is_read(tmp_path: Path) -> None:
    file = read_procedure(written(tmp_path, WHOLE))
    procedure = file.procedure
    assert file.text_sha == hashlib.sha256(WHOLE.encode()).hexdigest()
    assert [step.verb for step in procedure.steps] == [
        "home", "setup", "ask", "nominal", "light", "move", "read", "camera", "sweep", "assess", "if", "for", "accept",
    ]  # fmt: skip
    sweep, branch, loop = procedure.steps[8], procedure.steps[10], procedure.steps[11]
    assert sweep.verb == "sweep"
    assert sweep.args.span_um == 160.0
    assert isinstance(branch, IfStep)
    assert isinstance(branch.else_[0], RepeatStep)
    assert branch.else_[0].args == 2
    assert isinstance(loop, ForStep)
    assert loop.for_.in_ == Reference("adapters")
    assert procedure.steps[1].args.given()["adapters"] == ["${lens}", "gap-03"]
    places = [".".join(map(str, place)) for place, _ in procedure.walk()]
    assert places[10:] == [
        "steps.10", "steps.10.then.0", "steps.10.else.0", "steps.10.else.0.steps.0", "steps.11", "steps.11.steps.0",
        "steps.12", "finally.0",
    ]  # fmt: skip


def test_what_is_not_stated_is_not_given_on(tmp_path: Path) -> None:
    # Set-up values replace one by one: null clears, what is left out stays as it is.
    setup = read_procedure(written(tmp_path, WHOLE)).procedure.steps[1].args.given()
    assert setup["glass"] is None
    assert "distance_mm" not in setup


def test_a_client_is_told_what_to_give(tmp_path: Path) -> None:
    told = read_procedure(written(tmp_path, WHOLE)).procedure.describe()
    assert told["inputs"]["lens"] == {"type": "lens"}
    assert told["inputs"]["adapters"] == {"type": "list", "of": "adapter", "min": 1.0}
    assert told["inputs"]["m"] == {"type": "measured", "default": None}
    assert told["needs"] == {
        "roles": ["carriage", "target_light", "detector", "indicator"],
        "calibrations": ["bench-zero"],
    }


def steps(*lines: str) -> str:
    return "procedure: p\ntitle: t\nsteps:\n" + "".join(f"  - {line}\n" for line in lines)


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ("hme: {}", "4:5 steps[0] = {hme: ..}: a step has one key, one of home, nominal, "),
        ("hom:", "for, call; did you mean 'home'?"),
        ("hom", "for, call; did you mean 'home'?"),
        ("{home: {}, nominal: {}}", "a step has one key; did you mean '- nominal: ..' as a step of its own?"),
        (
            "{home: {}, nominel: {}}",
            "4:5 steps[0] = {home: .., nominel: ..}: a step has one key; did you mean '- nominal",
        ),
        ("{home: {}, zzz: {}}", "4:16 steps[0].zzz = {}: unknown key; known here: home"),
        (
            "{repeat: 3, step: []}",
            "steps[0].step = []: unknown key; did you mean 'steps'? known here: repeat, until, steps",
        ),
        ("{}", "4:5 steps[0] = {}: a step has one key"),
        ("home", "4:5 steps[0] = 'home': no colon after 'home' ('home: {}')"),
        ("home: {axs: [carriage]}", "4:12 steps[0].home.axs = a list of 1: unknown key; did you mean 'axes'?"),
        ("sweep: {repeats: many}", "4:22 steps[0].sweep.repeats = 'many': a whole number; or a value by name"),
        ("sweep: {repeats: 2.5}", "4:22 steps[0].sweep.repeats = 2.5: a whole number; or a value by name"),
        ("sweep: {repeats: 0}", "4:22 steps[0].sweep.repeats = 0: a number, at least 1"),
        ("sweep: {mode: fast}", "4:19 steps[0].sweep.mode = 'fast': one of 'stepped', 'continuous'"),
        ("sweep: {span_um: '10 um'}", "4:22 steps[0].sweep.span_um = '10 um': a number"),
        ("light: {level: 1.5}", "4:20 steps[0].light.level = 1.5: a number, at most 1"),
        (
            "light: {level: 0.5, on: true}",
            "4:5 steps[0].light = {level: .., on: ..}: exactly one of level, stops_by, on; 2 were given",
        ),
        (
            "move: {depth_um: 1, by_um: 2}",
            "4:5 steps[0].move = {depth_um: .., by_um: ..}: exactly one of offset_um, depth_um",
        ),
        ("move: {}", "4:5 steps[0].move = {}: exactly one of"),
        (
            "ask: {kind: choice, text: x, choices: [a]}",
            "4:34 steps[0].ask.choices = a list of 1: two or more for a choice, none for another kind",
        ),
        (
            "ask: {kind: confirm, text: x, unit: mm}",
            "4:41 steps[0].ask.unit = 'mm': 'unit' belongs to a number",
        ),
        (
            "ask: {kind: confirm, text: Press when done., by_hand: {iris_ring: iris open}}",
            "4:32 steps[0].ask.text = 'Press when done.': beside 'by_hand', which goes ahead of its end, one that ends "
            "in '?'",
        ),
        (
            'ask: {kind: confirm, text: "${which}", by_hand: {iris_ring: iris open}}',
            "4:32 steps[0].ask.text = '${which}': beside 'by_hand'",
        ),
        (
            "ask: {kind: confirm, by_hand: {iris_ring: iris open}, save: opened}",
            "4:65 steps[0].ask.save = 'opened': nothing here without a 'text', as nobody is asked",
        ),
        (
            'ask: {kind: confirm, text: "is ${Lens} in?"}',
            "steps[0].ask.text = 'is ${Lens} in?': text; ${..} in it names",
        ),
        ("light: {on: true, for_s: -100}", "steps[0].light.for_s = -100: a number, more than 0"),
        ("light: {stops_by: 99}", "4:23 steps[0].light.stops_by = 99: a number, at most 20"),
        ('setup: {support: "by ${hand}"}', "steps[0].setup.support = 'by ${hand}'"),
        ("read: {device: indicator, as: On Ring}", "4:35 steps[0].read.as = 'On Ring': a name: 1 to 32"),
        ("wait: {for_s: .inf}", "a finite number"),
        ("repeat: x", "4:13 steps[0].repeat = 'x': a whole number; or a value by name"),
        ("if: {finding: f, is: 1}", "either 'finding' with its 'key', or 'answer'"),
        ("if: {finding: f, key: a..b, is: 1}", "steps[0].if.key = 'a..b'"),
    ],
)
def test_a_wrong_step_is_told_at_its_place(tmp_path: Path, step: str, said: str) -> None:
    found = problems(tmp_path, steps(step))
    assert any(said in one for one in found), found


def test_a_problem_inside_a_branch_stands_at_its_own_line(tmp_path: Path) -> None:
    text = steps("nominal: {}") + (
        "  - if: {answer: a, is: true}\n"
        "    then:\n"
        "      - repeat: 2\n"
        "        steps:\n"
        "          - sweep: {merit: egde}\n"
        "    esle: []\n"
    )
    found = problems(tmp_path, text)
    assert len(found) == 2
    assert found[0].startswith("9:28 steps[1].then[0].steps[0].sweep.merit = 'egde': one of 'auto', 'edge'")
    assert found[1].startswith("10:5 steps[1].esle = []: unknown key; did you mean 'else'?")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("a: {type: lense}", "inputs.a.type = 'lense': one of 'lens'"),
        ("a: {type: list}", "inputs.a = {type: ..}: an input of type list says its 'of'"),
        ("a: {type: list, of: length}", "an input of type length says its 'unit'"),
        ("a: {type: list, of: integer, default: [1, 2.5]}", "a whole number"),
        ("a: {type: length}", "an input of type length says its 'unit'"),
        ("a: {type: choice}", "an input of type choice says its 'choices'"),
        ("a: {type: text, unit: mm}", "inputs.a.unit = 'mm': 'unit' belongs to an input of type length"),
        ("a: {type: text, min: 1}", "inputs.a.min = 1: 'min' and 'max' do not belong to an input of type text"),
        ("a: {type: number, min: 2, max: 1}", "inputs.a.min = 2: 'min' is not above 'max'"),
        ("a: {type: integer, default: 2.5}", "a whole number"),
        ("a: {type: integer, default: 2, min: 3}", "a whole number, at least 3"),
        ("a: {type: length, unit: mm, default: 5 parsec}", "5 parsec"),
        ("a: {type: choice, choices: [x, y], default: z}", "one of x, y"),
        ("Big: {type: text}", "inputs"),
    ],
)
def test_a_wrong_input_is_told(tmp_path: Path, line: str, said: str) -> None:
    found = problems(tmp_path, f"procedure: p\ntitle: t\ninputs:\n  {line}\nsteps: [{{nominal: {{}}}}]\n")
    assert any(said in one for one in found), found
    assert all(one.startswith("4:") for one in found)


def test_every_problem_of_a_file_is_told_at_once(tmp_path: Path) -> None:
    text = "procedure: p\ntitel: t\nneeds: {roles: [carrige]}\nsteps:\n  - hme: {}\n  - home: {axes: 5}\n  - move: {}\n"
    found = problems(tmp_path, text)
    assert [one.split(" ")[0] for one in found] == ["2:1", "3:17", "5:5", "6:18", "7:5"], found


def test_a_procedure_without_steps_is_none(tmp_path: Path) -> None:
    assert "at least 1" in problems(tmp_path, "procedure: p\ntitle: t\nsteps: []\n")[0]
