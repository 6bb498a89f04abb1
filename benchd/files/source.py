"""Reads one file: bytes, tree, plain data, model, with every problem at its line and column."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from benchd.files.problems import FileProblems, Problem, shown
from benchd.files.tree import Node, Unreadable, dotted, parse
from benchd.files.wording import known_keys, near_names, what_may_stand

MAX_BYTES = 256 * 1024

BY_VALIDATORS = ("value_error", "assertion_error")
_LEADING_KEYS = re.compile(r"(?:Value error, |Assertion failed, )?'?(\w+)'?(?: and '?(\w+)'?)?")

ModelT = TypeVar("ModelT", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Source:
    """A file as read: its path, its text, its tree with line numbers, and the same as plain data."""

    path: Path
    text: str
    root: Node
    data: dict[str, Any]

    def problem(self, loc: tuple[str | int, ...], allowed: str) -> Problem:
        """A problem of the value at `loc` (keys and indices), located at the nearest node in the file."""
        node, walked = _walk(self.root, loc)
        there = len(walked) == len(loc)
        plain = there and not isinstance(node.value, dict | list)
        place = (node.line, node.column) if plain else node.named_at
        return Problem(str(self.path), *place, dotted(list(loc)), shown(node.value) if there else "", allowed)

    def problem_of_use(self, loc: tuple[str | int, ...], wrong: str) -> Problem:
        """The same of the mapping at `loc` as a whole; at the key that the sentence begins with, if it has that."""
        node, walked = _walk(self.root, loc)
        named = _named(wrong, node) if len(walked) == len(loc) and isinstance(node.value, dict) else None
        return (
            self.problem(loc, wrong) if named is None else self.problem((*loc, named), wrong.removeprefix(f"{named}: "))
        )


def load_yaml(path: Path) -> Source:
    """Read one mapping. Raises FileProblems: unreadable, too large, not UTF-8, not YAML, or ambiguous."""
    return parse_yaml(path, read_text(path))


def parse_yaml(path: Path, text: str) -> Source:
    """The text of a file, or of one that is about to be written, as one mapping. Raises FileProblems as `load_yaml`."""
    try:
        root, problems = parse(text, str(path))
    except Unreadable as error:
        raise FileProblems([error.problem]) from error
    if problems:
        raise FileProblems(problems)
    if root is None or not isinstance(root.value, dict) or not root.value:
        line, column = (root.line, root.column) if root else (1, 1)
        stands = shown(root.value) if root else "an empty file"
        wrong = "keys with their values, the first of which says what the file is"
        raise FileProblems([Problem(str(path), line, column, "", stands, wrong)])
    if not text.endswith("\n"):
        # A file cut off in the middle of a line is often still valid YAML with another meaning.
        last = text.rsplit("\n", 1)[-1]
        place = (text.count("\n") + 1, len(last) + 1)
        wrong = "a line break at the end; without one the file may be cut off"
        raise FileProblems([Problem(str(path), *place, "", shown(last), wrong)])
    return Source(path, text, root, root.value)


def other_endings(folder: Path) -> list[Problem]:
    """A problem for each YAML file of a folder that is not read because of its ending."""
    wrong = "a name that ends in .yaml: a file with this ending is not read"
    found = sorted(
        path for path in folder.glob("*") if path.suffix.lower() in (".yml", ".yaml") and path.suffix != ".yaml"
    )
    return [Problem(str(path), 0, 0, "", "", wrong) for path in found]


def read_model(path: Path, model: type[ModelT]) -> ModelT:
    """The file as a `model`. Raises FileProblems with every problem of the file."""
    return check(load_yaml(path), model)


def check(source: Source, model: type[ModelT], *, at: tuple[str | int, ...] = (), data: Any = None) -> ModelT:
    """The part of `source` at `at` as a `model`; `data` replaces it if keys were removed before.

    Raises FileProblems with every problem, each at its line.
    """
    part = _walk(source.root, at)[0].value if data is None else data
    try:
        # Through JSON, because its strict mode accepts a list for a tuple but still no text for a number.
        return model.model_validate_json(json.dumps(part), strict=True)
    except ValidationError as error:
        raise FileProblems(problems_of(source, error, model, at=at)) from error


def problems_of(
    source: Source, error: ValidationError, model: type[BaseModel], *, at: tuple[str | int, ...] = ()
) -> list[Problem]:
    """Each error of a validation as a problem at its line, in the order of the file."""
    found: dict[tuple[int, int, str], Problem] = {}
    errors = error.errors(include_url=False)
    # A mistyped key is one problem, not an unknown key and a missing one.
    suggestion = {
        (detail["loc"][:-1], near)
        for detail in errors
        if detail["type"] == "extra_forbidden"
        for near in near_names(str(detail["loc"][-1]), known_keys(model, detail["loc"][:-1]), 1)
    }
    for detail in errors:
        if detail["type"] == "missing" and (detail["loc"][:-1], detail["loc"][-1]) in suggestion:
            continue
        # Pydantic counts a list without its wrong members: "too short" would be a second problem for the same cause.
        inner = any(
            len(other["loc"]) > len(detail["loc"]) and other["loc"][: len(detail["loc"])] == detail["loc"]
            for other in errors
        )
        if detail["type"] == "too_short" and inner:
            continue
        # `loc` also contains names of union members and validators, which are not in the file: the walk skips them.
        node, walked = _walk(source.root, (*at, *detail["loc"]), skipping=True)
        key, named = list(walked), _named(detail["msg"], node) if detail["type"] in BY_VALIDATORS else None
        if named is not None:
            key.append(named)
            node = node.members[named]
        line, column = node.line, node.column
        stands = shown(node.value)
        if detail["type"] == "missing":
            key.append(str(detail["loc"][-1]))
            stands = ""
        wrong_key = detail["loc"][-1:] == ("[key]",)
        if wrong_key:
            stands = shown(detail["loc"][-2])
        if wrong_key or detail["type"] in ("missing", "extra_forbidden") or isinstance(node.value, dict | list):
            line, column = node.named_at
        inside = {"extra_forbidden": detail["loc"][:-1], "model_type": detail["loc"]}.get(detail["type"])
        keys = () if inside is None else known_keys(model, inside)
        allowed = what_may_stand(detail, keys).removeprefix(f"{named}: ")
        problem = Problem(str(source.path), line, column, dotted(key), stands, allowed)
        before = found.get((line, column, problem.key))
        if before is None:
            found[line, column, problem.key] = problem
        elif allowed not in before.allowed:
            merged = f"{before.allowed}; or {allowed}"
            found[line, column, problem.key] = Problem(before.file, line, column, before.key, before.stands, merged)
    return sorted(found.values(), key=lambda problem: (problem.line, problem.column))


def _named(message: str, node: Node) -> str | None:
    """The key at the beginning of a message about a whole mapping ('travel_um: the first ..'), if the mapping has it.

    If the message begins with two keys ('a and b belong together'), the one that exists.
    """
    leading = _LEADING_KEYS.match(message)
    return next((key for key in leading.groups() if key in node.members), None) if leading else None


def _walk(root: Node, loc: tuple[str | int, ...], *, skipping: bool = False) -> tuple[Node, list[str | int]]:
    node, walked = root, list[str | int]()
    for part in loc:
        child = node.child(part)
        if child is not None:
            node = child
            walked.append(part)
        elif not skipping:
            break
    return node, walked


def read_text(path: Path) -> str:
    """Raises FileProblems: unreadable, too large, not UTF-8."""

    def refuse(allowed: str, stands: str = "") -> FileProblems:
        return FileProblems([Problem(str(path), 0, 0, "", stands, allowed)])

    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        other = path.with_suffix(".yml")
        there = f"; {other} is there: give it the ending .yaml" if path.suffix == ".yaml" and other.exists() else ""
        raise refuse(f"there is no such file{there}") from error
    except OSError as error:
        raise refuse(f"cannot be read ({error.strerror})") from error
    if len(raw) > MAX_BYTES:
        raise refuse(f"larger than {MAX_BYTES // 1024} KiB")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        column = error.start - (raw.rfind(b"\n", 0, error.start) + 1) + 1
        raise FileProblems(
            [Problem(str(path), line, column, "", f"byte 0x{raw[error.start]:02x}", "text in UTF-8")]
        ) from error
