"""World files in: YAML 1.2 with positions, refused whole with one line for each problem."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from benchd_simulators.world.arrangements import ARRANGEMENTS
from benchd_simulators.world.drawing import SHAPES
from benchd_simulators.world.errors import WorldFileError
from benchd_simulators.world.schema import GAP, PLATE, WorldRecord

MOST_BYTES = 256 * 1024


def shipped() -> list[str]:
    """Names of the worlds that ship with the package."""
    folder = resources.files("benchd_simulators").joinpath("worlds")
    return sorted(item.name.removesuffix(".yaml") for item in folder.iterdir() if item.name.endswith(".yaml"))


def find_world(name: str | Path) -> Path:
    """The path of a world file, or of a shipped world by its name."""
    path = Path(name)
    if path.suffix in {".yaml", ".yml"} or path.is_file():
        return path
    if str(name) in shipped():
        return Path(str(resources.files("benchd_simulators").joinpath("worlds", f"{name}.yaml")))
    raise WorldFileError([f"{name}: no such world file; the worlds that ship are {', '.join(shipped())}"])


def read_world(name: str | Path) -> WorldRecord:
    """Read and check a world file; raises `WorldFileError`."""
    path = find_world(name)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise WorldFileError([f"{path}: cannot be read: {error.strerror}"]) from error
    if len(data) > MOST_BYTES:
        raise WorldFileError([f"{path}: {len(data)} bytes; a world file has at most {MOST_BYTES}"])
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        where = f"{path}:{before.count(10) + 1}:{error.start - before.rfind(10)}"
        raise WorldFileError([f"{where}: byte 0x{data[error.start]:02x} is not UTF-8 text"]) from error
    return _world_of(text, path)


@lru_cache(maxsize=8)
def _world_of(text: str, path: Path) -> WorldRecord:
    """Kept: a process that makes world after world of one file reads the same text each time."""
    try:
        tree = YAML(typ="rt").load(text)
    except MarkedYAMLError as error:
        # A key whose colon is missing is noticed lines later; the context is where it begins.
        a_key = error.context == "while scanning a simple key"
        mark = (error.context_mark if a_key else None) or error.problem_mark or error.context_mark
        where = f"{path}:{mark.line + 1}:{mark.column + 1}" if mark else str(path)
        problem = "a key without its colon" if a_key else " ".join((error.problem or "not YAML").split())
        raise WorldFileError([f"{where}: {problem}"]) from error
    except (YAMLError, ValueError, RecursionError) as error:
        raise WorldFileError([f"{path}: not YAML: {' '.join(str(error).split())[:200]}"]) from error
    if not isinstance(tree, CommentedMap):
        raise WorldFileError([f"{path}:1:1: a world file is a mapping of keys; it begins with 'world: NAME'"])
    try:
        record = WorldRecord.model_validate(_plain(tree))
    except ValidationError as error:
        raise WorldFileError([_tell(path, tree, detail) for detail in error.errors()]) from error
    problems = [f"{_where(path, tree, loc)} {'.'.join(map(str, loc))}: {text}" for loc, text in _dangling(record)]
    if problems:
        raise WorldFileError(problems)
    return record


def _plain(node: Any) -> Any:
    if isinstance(node, Mapping):
        return {str(key): _plain(value) for key, value in node.items()}
    if isinstance(node, str):
        return str(node)
    if isinstance(node, Sequence):
        return [_plain(value) for value in node]
    if isinstance(node, bool) or node is None:
        return node
    if isinstance(node, int):
        return int(node)
    return float(node) if isinstance(node, float) else node


def _where(path: Path, tree: CommentedMap, loc: Sequence[int | str]) -> str:
    node: Any = tree
    line, column = 0, 0
    for step in loc:
        if isinstance(node, CommentedMap) and step in node:
            line, column = node.lc.key(step)
        elif isinstance(node, CommentedSeq) and isinstance(step, int) and step < len(node):
            line, column = node.lc.item(step)
        else:
            break
        node = node[step]
    return f"{path}:{line + 1}:{column + 1}"


def _tell(path: Path, tree: CommentedMap, detail: ErrorDetails) -> str:
    # The kind of a layer stands in no file.
    loc = [step for step in detail["loc"] if step not in ("[key]", PLATE, GAP)]
    key, kind = ".".join(map(str, loc)), detail["type"]
    if kind == "extra_forbidden":
        known = _keys_at(loc[:-1])
        near = difflib.get_close_matches(str(loc[-1]), known, 1)
        text = f"unknown key{f', did you mean {near[0]!r}' if near else ''}; known here: {', '.join(known)}"
    elif kind == "missing":
        text = "this key is missing"
    elif kind == "literal_error" and loc[-1] == "shape":
        text = f"{detail['input']!r} stands here; may be {', '.join(SHAPES)}"
    elif kind == "value_error":
        text = detail["msg"].removeprefix("Value error, ")
    else:
        stands = detail["input"]
        shown = repr(stands[:60]) if isinstance(stands, str) else str(stands)[:60]
        text = f"{shown} stands here; {detail['msg'][0].lower()}{detail['msg'][1:]}"
    return f"{_where(path, tree, loc)} {key}: {text}"


def _keys_at(loc: Sequence[int | str]) -> list[str]:
    """The keys a model knows at `loc`, found by walking the models' fields."""
    model: type[BaseModel] = WorldRecord
    for step in loc:
        if step not in model.model_fields:
            continue  # a name or a number inside a mapping or a list
        found = _models(model.model_fields[str(step)].annotation)
        if found:
            model = found[0]
    return list(model.model_fields)


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in getattr(annotation, "__args__", ()) for model in _models(part)]


def _dangling(record: WorldRecord) -> list[tuple[tuple[int | str, ...], str]]:
    """Names that point at nothing, and what an arrangement lacks or has no use for."""
    found: list[tuple[tuple[int | str, ...], str]] = []

    def need(loc: tuple[int | str, ...], name: str | None, among: Mapping[str, object], what: str) -> None:
        if name is not None and name not in among:
            found.append((loc, f"{name!r} stands here; {what} known: {', '.join(among) or 'none'}"))

    for name, lens in record.lenses.items():
        need(("lenses", name, "mount"), lens.mount, record.mounts, "mounts")
        need(("lenses", name, "twin_of"), lens.twin_of, record.lenses, "lenses")
        need(("lenses", name, "designed_for_glass"), lens.designed_for_glass, record.glasses, "glasses")
        stock = {f"{size:g}": size for size in record.shims.stock_um}
        for i, size in enumerate(lens.shims_fitted_um):
            need(("lenses", name, "shims_fitted_um", i), f"{size:g}", stock, "shims")
    for name, glass in record.glasses.items():
        for i, adapter in enumerate(glass.fits):
            need(("glasses", name, "fits", i), adapter, record.adapters, "adapters")
    for i, adapter in enumerate(record.fitted.adapters):
        need(("fitted", "adapters", i), adapter, record.adapters, "adapters")
    for i, pane in enumerate(record.fitted.glass):
        need(("fitted", "glass", i), pane, record.glasses, "glasses")
    need(("fitted", "lens"), record.fitted.lens, record.lenses, "lenses")
    for i, adapter in enumerate(record.room.distance_over):
        need(("room", "distance_over", i), adapter, record.adapters, "adapters")
    return [*found, *ARRANGEMENTS[record.arrangement].problems(record)]
