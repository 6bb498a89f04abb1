"""What is public in benchd has a caller. What only its tests call is held against tables while the bench does without.

Read from the source: a function of a module counts as called where it is named in a file that imports it, a method
where anything of its name is. So a method may hide behind a namesake; nothing that is called is ever told.
"""

from __future__ import annotations

import ast
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent
CALLERS = ("benchd", "drivers/benchd_drivers")

CALLED_FROM_OUTSIDE = {
    "benchd.client.bench_client.BenchClient.holding": "for programs, which move by hand as a page does",
    "benchd.testing.": "ships for the authors of drivers, whose tests call it, as ours do",
    "benchd.records.migrations.": "the migrations' runner calls upgrade and downgrade",
    "benchd.devices.links.nothing": "for drivers whose answers come by `listen`; ours wait for theirs",
    "benchd.cli.main.main": "the console script",
    "benchd.cli.console.wide": "scripts/demo tells by it",
    "benchd.cli.console.ShowingConsole.render": "the library that prints calls it",
    "benchd.remote.replies.": "the words for what is answered; scripts/schemas writes them out",
    "benchd.imaging.speed.regions_per_second": "scripts/bench_edges.py, in a process of its own",
    "benchd.questions.question.Question.strata": "scripts/study draws them",
    "benchd.arrangements.arrangement.Arrangement.strata": "scripts/study draws them",
    "benchd.detectors.detector.Detector.strata": "scripts/study draws them",
    "benchd.assessments.lines.drawn": "strata of questions give their cases by it",
    "benchd.mqtt.connection.CountedQueue.put_nowait": "the MQTT library's own queue, counted",
}
COMMAND = {"arguments", "run"}  # of each module of benchd.cli: `main` imports it by the name that was typed

_ENTRY_POINTS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["entry-points"]
REGISTERED = {point.replace(":", ".") for group in _ENTRY_POINTS.values() for point in group.values()}
"""Found by entry point, whoever asks for it by name."""

Defined = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef
Imports = dict[str, set[tuple[str, str]]]  # a file's own name: modules and the names there, each function's imports


@dataclass(frozen=True, slots=True)
class Public:
    """A definition of benchd: its module, its name there, the name it is called by."""

    module: str
    path: str
    node: Defined

    @property
    def whole(self) -> str:
        return f"{self.module}.{self.path}"

    @property
    def of_module(self) -> bool:
        return "." not in self.path


@dataclass(frozen=True, slots=True)
class Mention:
    """A name as it stands in a file: the module that defines it as far as imports tell, inside which definitions."""

    module: str
    name: str
    within: tuple[Defined, ...]


def test_every_public_function_of_benchd_is_called_by_more_than_its_tests() -> None:
    """A line fit, a propagation of covariances and a table of risks were tested against the GUM and used by nobody."""
    files = {path: ast.parse(path.read_text("utf-8")) for folder in CALLERS for path in (ROOT / folder).rglob("*.py")}
    imports = {_module(path): _imports(tree) for path, tree in files.items()}
    mentions: dict[str, list[Mention]] = {}
    for path, tree in files.items():
        for mention in _mentions(tree, _module(path), imports):
            mentions.setdefault(mention.name, []).append(mention)
    known = [one for path, tree in files.items() for one in _public(tree.body, _module(path))]
    idle: dict[Defined, str] = {}
    while more := {
        one.node: one.whole
        for one in known
        if one.node not in idle and not any(_calls(m, one, idle) for m in mentions.get(one.node.name, []))
    }:
        idle |= more  # and what only these call
    assert not idle, "called by nothing but tests:\n" + "\n".join(sorted(idle.values()))


def test_what_is_called_from_outside_is_there() -> None:
    """An exception outlives its reason otherwise."""
    whole = [one.whole for path in (ROOT / "benchd").rglob("*.py") for one in _all(path)]
    assert [entry for entry in CALLED_FROM_OUTSIDE if not any(name.startswith(entry) for name in whole)] == []


def _module(path: Path) -> str:
    for folder in CALLERS:
        if path.is_relative_to(ROOT / folder):
            inside = path.relative_to((ROOT / folder).parent).with_suffix("")
            return ".".join(part for part in inside.parts if part != "__init__")
    raise AssertionError(path)


def _all(path: Path) -> Iterator[Public]:
    return _definitions(ast.parse(path.read_text("utf-8")).body, _module(path))


def _definitions(body: list[ast.stmt], module: str, above: str = "") -> Iterator[Public]:
    for node in body:
        if isinstance(node, Defined):
            yield Public(module, above + node.name, node)
        if isinstance(node, ast.ClassDef):
            yield from _definitions(node.body, module, f"{above}{node.name}.")


def _public(body: list[ast.stmt], module: str) -> Iterator[Public]:
    for one in _definitions(body, module):
        names = one.path.split(".")
        command = module.startswith("benchd.cli.") and names[0] in COMMAND
        outside = any(one.whole.startswith(entry) for entry in CALLED_FROM_OUTSIDE) or one.whole in REGISTERED
        if (
            module.split(".", maxsplit=1)[0] == "benchd"
            and not names[-1].startswith("_")
            and not command
            and not outside
        ):
            yield one


def _imports(tree: ast.Module) -> Imports:
    found: Imports = {}
    for node in (one for one in ast.walk(tree) if isinstance(one, ast.ImportFrom)):
        for alias in node.names:
            found.setdefault(alias.asname or alias.name, set()).add((node.module or "", alias.name))
    return found


def _mentions(tree: ast.Module, module: str, imports: dict[str, Imports]) -> Iterator[Mention]:
    """Every name and attribute of a file, with the module that defines what it stands for."""

    def sources(of: str, name: str) -> set[tuple[str, str]]:
        handed_on = imports.get(of, {}).get(name, set()) - {(of, name)}  # one module hands on another's
        return {end for one in handed_on for end in sources(*one)} or {(of, name)}

    def walk(node: ast.AST, within: tuple[Defined, ...]) -> Iterator[Mention]:
        if isinstance(node, ast.Name):
            yield from (Mention(*one, within) for one in sources(module, node.id))
        elif isinstance(node, ast.Attribute):
            ofs = sources(module, node.value.id) if isinstance(node.value, ast.Name) else {("", "")}
            yield from (Mention(*one, within) for of in ofs for one in sources(".".join(of), node.attr))
        inside = (*within, node) if isinstance(node, Defined) else within
        for child in ast.iter_child_nodes(node):
            yield from walk(child, inside)

    return walk(tree, ())


def _calls(mention: Mention, one: Public, idle: dict[Defined, str]) -> bool:
    if one.node in mention.within or any(node in idle for node in mention.within):
        return False
    return not one.of_module or one.module == mention.module
