"""Every key of every file has its effect: a table names a module that goes by it, and is held against models and code.

Whoever adds a key adds its line to `keys_and_their_use.txt`, or says in `benchd/files/unheeded.py` that nothing goes
by it yet, which `check` and `up` then tell.
"""

from __future__ import annotations

import ast
import shutil
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from benchd.arrangements.registry import ARRANGEMENTS
from benchd.bench.assembly import build
from benchd.detectors import registry as detectors
from benchd.devices import registry
from benchd.files.artefacts import Adapter, Glass, Lens, Reference
from benchd.files.bench_file import BenchFile, Role
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from benchd.files.unheeded import UNHEEDED
from benchd.procedures.language import Procedure
from benchd.procedures.read_bench import read_bench
from benchd_simulators.world.schema import WorldRecord

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_name("keys_and_their_use.txt")
RECORDS: Mapping[str, type[BaseModel]] = {
    "bench": BenchFile, "adapter": Adapter, "glass": Glass, "lens": Lens, "reference": Reference,
}  # fmt: skip

KEPT = "kept with the lens in the record (bench/setup_change.py) and shown by `benchd show lens`"
SAID_WHOLE = {
    **{f"Lens.{key}": KEPT for key in ("model", "serial", "kind", "t_number", "owner", "set")},
    "Mount.basis": "one value alone may stand, and it says what every flange depth means",
    "RecordStepArgsByName.kind": "handed to the records as it is",
    "Input.text": "published in `about` with the procedure, for whoever is asked for the input",
    "SetupStepArgsByName.support": "kept and published with the set-up; nothing is worked out from it",
}
"""Keys that code hands on without asking for them by name, each with what becomes of it."""


def models_in(annotation: Any, found: dict[type[BaseModel], None]) -> dict[type[BaseModel], None]:
    """All models that stand somewhere in a type, the fields of models included."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel) and annotation not in found:
        found[annotation] = None
        for field in annotation.model_fields.values():
            models_in(field.annotation, found)
            for one in field.metadata:
                models_in(one, found)
    for inner in get_args(annotation):
        models_in(inner, found)
    return found


def all_models() -> list[type[BaseModel]]:
    drivers = [registry.driver(name).Config for name in registry.names(registry.DRIVERS)]
    links = [registry.link_kind(name).Config for name in registry.names(registry.LINKS)]
    sections = [one.Config for one in detectors.installed()]
    found: dict[type[BaseModel], None] = {}
    arrangements = [ARRANGEMENTS.named(name).Config for name in ARRANGEMENTS.names()]
    for root in (*RECORDS.values(), Procedure, WorldRecord, *drivers, *links, *sections, *arrangements):
        models_in(root, found)
    return list(found)


def keys_of_models() -> Iterator[str]:
    for model in all_models():
        for name in model.model_fields:
            # The key of a step is its verb, and what stands under it is a model of its own.
            if f"{name.rstrip('_')}step" != model.__name__.lower():
                yield f"{model.__qualname__}.{name}"


def told_as_unheeded() -> set[str]:
    """The keys of `UNHEEDED` that are so whatever stands there, by model, with what stands inside them."""
    found = set()
    for one in UNHEEDED:
        model: type[BaseModel] = RECORDS[one.kind]
        for part in one.path[:-1]:
            (model,) = (inner for inner in models_in(model.model_fields[part].annotation, {}) if one.path[-1] in
                        inner.model_fields)  # fmt: skip
        found.add(f"{model.__qualname__}.{one.path[-1]}")
        for inner in models_in(model.model_fields[one.path[-1]].annotation, {}):
            found |= {f"{inner.__qualname__}.{name}" for name in inner.model_fields}
    return found


def table() -> dict[str, str]:
    lines = [line.split() for line in TABLE.read_text(encoding="utf-8").splitlines() if line and line[0] != "#"]
    assert len({key for key, _ in lines}) == len(lines), "a key stands twice in the table"
    return dict(lines)


@cache
def read_in(module: str) -> frozenset[str]:
    """The names that a module asks an object for: attributes that are read, and names asked for as text."""
    found = set()
    for node in ast.walk(ast.parse((ROOT / module).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
            found.add(node.attr)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.add(node.value)
    return frozenset(found)


def candidates(name: str) -> list[str]:
    sources = (path for room in ("benchd", "drivers", "simulators") for path in sorted((ROOT / room).rglob("*.py")))
    return [str(path.relative_to(ROOT)) for path in sources if name in read_in(str(path.relative_to(ROOT)))]


def test_every_key_is_in_the_table_and_nothing_else() -> None:
    keys = set(keys_of_models())
    known = set(table()) | set(SAID_WHOLE) | told_as_unheeded()
    new = {key: candidates(key.rpartition(".")[2])[:5] for key in sorted(keys - known)}
    assert not new, f"new keys: name for each a module that goes by it in {TABLE.name}; the name is read in: {new}"
    assert not sorted(known - keys), "no model has these keys any more"
    twice = set(table()) & (told_as_unheeded() | set(SAID_WHOLE)) - {"Adapter.turns", "Reference.kind"}
    assert not twice, "something goes by these now: take them out of benchd/files/unheeded.py"


@pytest.mark.parametrize(("key", "module"), table().items())
def test_what_the_table_names_goes_by_the_key(key: str, module: str) -> None:
    name = key.rpartition(".")[2]
    assert name in read_in(module), f"{module} no longer asks for {name}; it is read in {candidates(name)}"


@pytest.mark.parametrize("role", sorted(set(get_args(Role)) - {"detector"}))
def test_a_role_is_refused_to_a_device_that_cannot_play_it(tmp_path: Path, role: str) -> None:
    """A meter may be a detector: a sweep says what it lacks for that."""
    text = (ROOT / "configs" / "workshop" / "bench.yaml").read_text(encoding="utf-8")
    device = 'devices:\n  other: {driver: line, link: dial_line, ask: "S?", pattern: "^(.)$", quantity: light}\n'
    text = text.replace("devices:\n", device, 1).replace("roles: {", f"roles: {{{role}: other, ", 1)
    for played in ("carriage: stage", "position: scale", "target_light: lamp", "detector: view", "indicator: dial"):
        if played.startswith(f"{role}:"):
            text = text.replace(f", {played}", "", 1)
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems) as caught:
        build(load_bench(path))
    said = [str(problem) for problem in caught.value.problems if problem.key == f"roles.{role}"]
    assert len(said) == 1, caught.value


SWITCH = 'devices:\n  other: {driver: line, link: dial_line, ask: "S?", pattern: "^(.)$", quantity: switch%s}\n'


@pytest.mark.parametrize(
    ("role", "more", "key", "said"),
    [
        ("emergency_stop", ", contacts: normally_open", "devices.other.contacts", "a broken wire looks like a button"),
        ("hands_in", "", "devices.other", "a switch needs contacts"),
        ("hands_in", ", contacts: shut", "devices.other.contacts", "'normally_closed', 'normally_open'"),
        ("hands_in", ", contacts: normally_open, scale: 2", "devices.other.scale", "it belongs to a meter"),
    ],
)
def test_a_switch_that_would_not_be_noticed_is_refused_at_its_line(
    tmp_path: Path, role: str, more: str, key: str, said: str
) -> None:
    path = with_switch(tmp_path, role, more)
    with pytest.raises(FileProblems) as caught:
        build(load_bench(path))
    (problem,) = [problem for problem in caught.value.problems if problem.key == key]
    assert said in str(problem)
    assert problem.line == 1 + path.read_text(encoding="utf-8").splitlines().index(SWITCH.splitlines()[1] % more)


def test_a_door_whose_contacts_close_gets_a_note(tmp_path: Path) -> None:
    notes = read_bench(with_switch(tmp_path, "hands_in", ", contacts: normally_open")).notes
    assert sum("a broken wire looks like hands that are out" in note for note in notes) == 1
    assert not any("wire" in note for note in read_bench(with_switch(tmp_path, "hands_in", CLOSED)).notes)


def with_switch(folder: Path, role: str, more: str) -> Path:
    """The bench file of the workshop, with a switch in this role."""
    shutil.copytree(ROOT / "configs" / "workshop", folder / "workshop", dirs_exist_ok=True)
    path = folder / "workshop" / "bench.yaml"
    text = (ROOT / "configs" / "workshop" / "bench.yaml").read_text(encoding="utf-8")
    text = text.replace("devices:\n", SWITCH % more, 1).replace("roles: {", f"roles: {{{role}: other, ", 1)
    path.write_text(text, encoding="utf-8")
    return path


CLOSED = ", contacts: normally_closed"
