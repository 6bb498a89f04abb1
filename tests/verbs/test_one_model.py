"""A verb and the step of its name take the same, refuse the same, and say so in the same words."""

from __future__ import annotations

import json
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from benchd.files.wording import what_may_stand
from benchd.procedures.steps import MODELS
from benchd.verbs.table import STEPS

OUTRIGHT = {"read": ("as", "moved_from"), "assess": ("name",), "accept": ("finding",)}
"""What other steps go by stands as it is."""

PROBES: list[tuple[str, dict[str, Any]]] = [
    ("home", {}),
    ("home", {"axes": []}),
    ("home", {"axes": ["carriage"], "only_if_unhomed": True}),
    ("home", {"axes": ["Carriage"]}),
    ("home", {"axes": ["a"] * 17}),
    ("nominal", {}),
    ("nominal", {"fast": True}),
    ("move", {}),
    ("move", {"axis": "carriage", "by_um": 5}),
    ("move", {"by_um": 5.0, "depth_um": 5.0}),
    ("move", {"by_um": "5"}),
    ("move", {"by_um": True}),
    ("move", {"axis": "The carriage", "by_um": 5}),
    ("light", {"level": 1.5}),
    ("light", {"level": 0.5}),
    ("light", {"level": 0.5, "for_s": -100}),
    ("light", {"level": 0.5, "for_s": 90_000}),
    ("light", {"level": 0.5, "on": True}),
    ("light", {"stops_by": 21}),
    ("light", {"light": "", "on": True}),
    ("camera", {"exposure_ms": 0}),
    ("camera", {"exposure_ms": 40, "gain": 1}),
    ("camera", {"camera": "detector", "exposure_ms": 60_001}),
    ("read", {"device": "position"}),
    ("read", {}),
    ("read", {"device": "Position"}),
    ("sweep", {"repeats": 0}),
    ("sweep", {"repeats": 101}),
    ("sweep", {"repeats": 2.5}),
    ("sweep", {"merit": "stars"}),
    ("sweep", {"mode": "continuous"}),
    ("sweep", {"about": "there"}),
    ("sweep", {"about": -12.5}),
    ("sweep", {"span_um": 0}),
    ("sweep", {"span_um": 2e5}),
    ("sweep", {"lp_mm": 2001}),
    ("accept", {"finding": "f-310"}),
    ("accept", {"finding": "f-310", "days": 0}),
    ("accept", {"finding": "f-310", "days": 3661}),
    ("accept", {"finding": "f-310", "days": None}),
    ("accept", {"finding": "f 310"}),
]


def answered(model: type[BaseModel], doc: dict[str, Any]) -> set[str] | None:
    """What is wrong with it by place and in words, a value by name apart; None where nothing is."""
    try:
        model.model_validate_json(json.dumps(doc))
    except ValidationError as error:
        wrong = [one for one in error.errors(include_url=False) if one["type"] != "reference"]
        return {f"{_place(doc, one['loc'])}: {what_may_stand(one)}" for one in wrong}
    return None


def _place(doc: Any, loc: tuple[int | str, ...]) -> str:
    """The keys of the document in it, without the ways in which a model tried to take a value."""
    path = []
    for part in loc:
        if isinstance(doc, dict | list) and (part in doc if isinstance(doc, dict) else isinstance(part, int)):
            doc = doc[part]  # type: ignore[index]
            path.append(str(part))
    return ".".join(path)


@pytest.mark.parametrize(("verb", "args"), PROBES, ids=lambda one: one if isinstance(one, str) else json.dumps(one))
def test_a_step_takes_what_the_verb_takes(verb: str, args: dict[str, Any]) -> None:
    """Of 17 probes 13 were answered otherwise as a step than over MQTT, and so by the dry run."""
    as_step = answered(MODELS[verb], {verb: args})
    told = None if as_step is None else {one.removeprefix(verb).lstrip(".: ") for one in as_step}
    as_verb = answered(STEPS[verb].args, args)
    assert told == (None if as_verb is None else {one.lstrip(": ") for one in as_verb})


@pytest.mark.parametrize("verb", STEPS)
def test_any_value_of_a_step_may_be_given_by_name(verb: str) -> None:
    takes = STEPS[verb].step
    assert takes is not None
    needed = {one.alias or name: "x" for name, one in takes.model_fields.items() if one.is_required()}
    for name, field in takes.model_fields.items():
        key = field.alias or name
        is_literal_only = key in OUTRIGHT.get(verb, ())
        wrong = answered(MODELS[verb], {verb: {**needed, key: "${x}"}})
        by_place = {one for one in wrong or () if one.startswith(f"{verb}.{key}:")}
        assert bool(by_place) is is_literal_only, (key, wrong)
