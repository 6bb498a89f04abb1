"""Every shipped procedure, and one step of each kind with what may go wrong in it, gone through on the files alone."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError
from ruamel.yaml import YAML

from benchd.bench.assembly import build
from benchd.cli.offline import Offline
from benchd.errors import Refused
from benchd.files.loading import load_bench
from benchd.procedures.inputs import parse_inputs
from benchd.procedures.language import Procedure
from benchd.procedures.library import Library
from benchd.procedures.predict import dry_run
from benchd.verbs.view import BenchView
from tests.recorded.net import hold

CONFIGS = Path(__file__).parents[2] / "configs"
WALL = {"distance_mm": 5000.0, "m": {"value": 0.01, "u": 0.0001}}
LENS = {"lens": "L-0417", "adapters": ["ring-07"]}
SHIPPED: dict[str, tuple[str, dict[str, Any]]] = {
    "bench_zero": ("bench_zero", {"reference": "collar-45"}),
    "adapter_length": ("adapter_length", {"adapter": "ring-07"}),
    "flange_check": ("flange_check", {**LENS, "glass": ["pane-25"], **WALL, "repeats": 3}),
    "flange_check bare": ("flange_check", {**LENS, "glass": [], "distance_mm": 5000.0}),
    "flange_check without m or distance": ("flange_check", {**LENS, "glass": ["pane-25"]}),
    "flange_check of a lens without a rear": ("flange_check", {"lens": "L-0418", "adapters": ["ring-07"], "glass": []}),
    "glass_toggle": ("glass_toggle", {**LENS, "glass": ["pane-25"], **WALL}),
    "next_lens": ("next_lens", {**LENS, "glass": ["pane-25"], **WALL}),
    "next_lens as it stands": ("next_lens", {}),
    "shim_proof": ("shim_proof", {"lens": "L-0417", "shims_um": [50, 10]}),
    "check_lens": ("check_lens", {**LENS, "glass": ["pane-25"], **WALL}),
}
STEPS: dict[str, str] = {
    "home": "[home: {}]",
    "home if need be": "[home: {only_if_unhomed: true}]",
    "home a lamp": "[home: {axes: [lamp]}]",
    "home nothing": "[home: {axes: [nothing]}]",
    "nominal": "[nominal: {}]",
    "nominal without a lens": "[setup: {lens: null}, nominal: {}]",
    "move to carriage": "[move: {carriage_um: 9000}]",
    "move beyond": "[move: {carriage_um: 90000}]",
    "move below": "[move: {carriage_um: -10}]",
    "move to offset": "[move: {offset_um: 12.5}]",
    "move to depth": "[move: {depth_um: 52000}]",
    "move by": "[move: {by_um: -200}]",
    "move too near": "[move: {depth_um: 9000}]",
    "move to degrees": "[move: {to_deg: 5}]",
    "move by degrees": "[move: {by_deg: 5}]",
    "move a lamp": "[move: {axis: lamp, by_um: 5}]",
    "move by the stage's own name": "[move: {axis: stage, carriage_um: 9100}]",
    "light": "[light: {level: 0.4}]",
    "light for a time": "[light: {level: 0.4, for_s: 600}]",
    "light for less than no time": "[light: {level: 0.4, for_s: -100}]",
    "light by stops": "[light: {stops_by: -1}]",
    "light off": "[light: {on: false}]",
    "light too bright": "[light: {level: 1.5}]",
    "light two ways": "[light: {level: 0.5, on: true}]",
    "no light": "[light: {light: lantern, level: 0.2}]",
    "camera": "[camera: {exposure_ms: 40, gain: 1}]",
    "no camera": "[camera: {camera: eye, exposure_ms: 40}]",
    "read": "[read: {device: position}]",
    "read a gauge": "[read: {device: indicator, as: on_base}]",
    "read a lamp": "[read: {device: target_light}]",
    "read nothing": "[read: {device: thermo}]",
    "set up": "[setup: {trim_um: 5, temperature_C: 21.5, ring: {mark: 2}}]",
    "set up and follow": "[setup: {trim_um: 5, follow: true}]",
    "set up what is none": "[setup: {lens: L-9999}]",
    "set up too warm": "[setup: {temperature_C: 71}]",
    "set up what does not fit": "[setup: {adapters: [gap-03, gap-03]}]",
    "sweep": "[sweep: {merit: edge, repeats: 2}]",
    "sweep here": "[nominal: {}, sweep: {about: here, span_um: 100, step_um: 10}]",
    "sweep about": "[nominal: {}, sweep: {about: 20.0, lp_mm: 20}]",
    "sweep for a star": "[sweep: {merit: star}]",
    "sweep continuous": "[sweep: {mode: continuous}]",
    "sweep and look again": "[nominal: {}, sweep: {retries: 2, look_again: 'Is the lens seated?'}]",
    "sweep without end": "[sweep: {span_um: 90000, step_um: 0.001}]",
    "sweep too often": "[sweep: {repeats: 101}]",
    "assess": "[sweep: {}, assess: {name: flange}]",
    "assess what is none": "[assess: {name: sharpness}]",
    "assess of nothing": "[assess: {name: bench_zero}]",
    "assess of too much": "[assess: {name: flange, of: ring-07}]",
    "accept": "[accept: {finding: bench_zero, days: 90}]",
    "accept without end": "[accept: {finding: bench_zero}]",
    "accept what is no calibration": "[accept: {finding: flange}]",
    "withdraw": "[withdraw: {artefact: bench-zero}]",
    "withdraw what is not in force": "[withdraw: {artefact: ring-07}]",
    "withdraw what is none": "[withdraw: {artefact: ring-70}]",
    "ask and keep": "[ask: {kind: number, text: 'Reads?', unit: mm, keep: tube}]",
    "ask within": "[ask: {kind: number, text: 'Far?', unit: mm, min: 1000, max: 100000}]",
    "wait": "[wait: {for_s: 12}]",
    "wait backwards": "[wait: {for_s: -12}]",
    "ask": "[ask: {kind: choice, text: 'Which?', choices: [a, b], save: which}]",
    "ask a number": "[ask: {kind: number, text: 'Far?', unit: um, save: f}, move: {by_um: '${f}'}, nominal: {}]",
    "go by an answer": "[ask: {kind: yes_no, text: 'On?', save: on}, if: {answer: on, is: true}, then: [nominal: {}]]",
    "open a set-up": "[ask: {kind: text, text: 'Lens?', save: w}, setup: {lens: '${w}'}, nominal: {}, sweep: {}]",
    "repeat": "[repeat: 2, steps: [nominal: {}, move: {by_um: 10}]]",
    "repeat as asked": "[ask: {kind: number, text: 'Times?', save: n}, repeat: '${n}', steps: [move: {by_um: 10}]]",
    "repeat until": "[repeat: 3, until: {answer: o, is: true}, steps: [ask: {kind: yes_no, text: 'On?', save: o}, "
    "move: {by_um: 10}]]",
    "record": "[record: {kind: lens, id: L-0417, set: {shims_fitted_um: [50]}}, "
    "sweep: {}, nominal: {}, sweep: {about: expected}]",
    "for": "[for: {each: at, in: [0, 10, 20.5]}, steps: [move: {offset_um: '${at}'}, read: {device: position}]]",
    "call": "[call: {procedure: bench_zero, inputs: {reference: collar-45}}]",
    "call nothing": "[call: {procedure: nothing}]",
    "two verbs": "[{nominal: {}, home: {}}]",
    "no verb": "[jump: {}]",
}


def _steps(text: str) -> list[dict[str, Any]]:
    """A flow of one mapping or more: `if` and `then` beside each other make one step."""
    found: list[dict[str, Any]] = []
    for one in YAML(typ="safe").load(text):
        if found and not {"then", "else", "steps", "until"}.isdisjoint(one):
            found[-1] |= one
        else:
            found.append(dict(one))
    return found


@pytest.fixture(scope="module")
def offline(tmp_path_factory: pytest.TempPathFactory) -> Offline:
    folder = tmp_path_factory.mktemp("plans") / "workshop"
    shutil.copytree(CONFIGS / "workshop", folder)
    loaded = load_bench(folder / "bench.yaml")
    return Offline(loaded, build(loaded))


def _plan(procedure: Procedure, given: Mapping[str, Any], offline: Offline, bench: BenchView) -> Any:
    library = Library.shipped().procedures
    try:
        values = parse_inputs(procedure.inputs, given, offline.known())
        return dry_run(procedure, values, bench, offline.facts, library).as_json()
    except Refused as refused:
        return {"refused": refused.as_json()}


def test_the_shipped_procedures(offline: Offline) -> None:
    library = Library.shipped().procedures
    cold = offline.figures()
    warm = replace(cold, homed=True, stale=False, carriage_um=9000.0)
    hold(
        "plans_shipped",
        {
            state: {name: _plan(library[one], given, offline, bench) for name, (one, given) in SHIPPED.items()}
            for state, bench in (("not homed", cold), ("homed", warm))
        },
    )


def test_a_step_of_each_kind(offline: Offline) -> None:
    cold = offline.figures()
    warm = replace(cold, homed=True, stale=False, carriage_um=9000.0)
    found: dict[str, Any] = {}
    for name, text in STEPS.items():
        fitted = {"setup": {**LENS, "glass": ["pane-25"], "ring": "infinity", **WALL}}
        try:
            procedure = Procedure.from_doc({"procedure": "tried", "title": "t", "steps": [fitted, *_steps(text)]})
        except ValidationError as error:
            found[name] = {"unfit": [str(one["type"]) for one in error.errors(include_url=False)]}
            continue
        found[name] = {
            state: _plan(procedure, {}, offline, bench) for state, bench in (("not homed", cold), ("homed", warm))
        }
    hold("plans_of_steps", found)
