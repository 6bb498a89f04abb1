"""`benchd check`: validates any file; a procedure is dry-run as well."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options
from benchd.cli.guard import UsageError
from benchd.cli.prose import wrapped

if TYPE_CHECKING:
    from benchd.files.problems import Problem
    from benchd.files.source import Source
    from benchd.procedures.language import Procedure

RECORDS = ("adapter", "glass", "reference", "lens")
KINDS = ("bench", *RECORDS, "procedure")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Files, and for a dry run the bench and the procedure's inputs."""
    parser.add_argument("words", nargs="+", metavar="FILE", help="bench, adapter, glass, reference, lens, procedure")
    parser.add_argument(
        "--bench", metavar="FILE", type=Path, help="go through the procedure on this bench: FILE --bench FILE key=value"
    )
    options.output(parser)


@dataclass
class Checked:
    """The result of checking one file."""

    file: str
    kind: str | None = None
    says: str = ""
    more: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    plan: dict[str, Any] | None = None
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """The same as a JSON document."""
        doc: dict[str, Any] = {
            "file": self.file,
            "kind": self.kind,
            "ok": not self.problems,
            "says": "; ".join((self.says, *self.more)),
        }
        doc |= {"problems": [problem.as_json() for problem in self.problems], "notes": self.notes}
        return doc if self.plan is None else doc | {"plan": self.plan}


def run(args: argparse.Namespace) -> int:
    """0 all is well, 1 something is wrong, 2 not understood."""
    files = [options.bench_file_at(Path(word)) for word in args.words if "=" not in word]
    bench = None if args.bench is None else options.bench_file_at(args.bench)
    inputs = [word for word in args.words if "=" in word]
    if not files:
        raise UsageError("name a file to check")
    if inputs and bench is None:
        raise UsageError(f"'{inputs[0]}' is an input of a dry run, which needs --bench FILE")
    checked = [_check(path, bench, inputs) for path in files]
    if bench is not None and not any(result.kind == "procedure" for result in checked):
        raise UsageError("--bench is for a procedure, and none is named")
    wrong = any(result.problems or (result.plan or {}).get("problems") for result in checked)
    if args.json:
        print(json.dumps({"ok": not wrong, "files": [result.as_json() for result in checked]}, ensure_ascii=False))
    else:
        for result in checked:
            _print_result(result)
        if len(checked) > 1:
            bad = sum(bool(result.problems) for result in checked)
            print(f"{_counted(len(checked), 'file')}: " + (f"{bad} with problems." if bad else "all fine."))
    return exits.REFUSED if wrong else exits.DONE


def _check(path: Path, bench: Path | None, inputs: list[str]) -> Checked:
    from benchd.files.problems import FileProblems
    from benchd.files.source import load_yaml

    checked = Checked(str(path))
    try:
        source = load_yaml(path)
        checked.kind = _kind_of(source)
        looks: dict[str, Callable[[], None]] = {
            "bench": lambda: _bench(path, checked),
            "procedure": lambda: _procedure(path, checked, bench, inputs),
        }
        looks.get(checked.kind, lambda: _record(source, checked))()
    except FileProblems as error:
        checked.problems = list(error.problems)
    return checked


def _kind_of(source: Source) -> str:
    """The kind of file, by its first key. Raises FileProblems for an unknown kind."""
    from benchd.files.problems import FileProblems
    from benchd.files.wording import near_names

    first = str(next(iter(source.data)))
    if first in KINDS:
        return first
    if first == "world":
        raise FileProblems([source.problem((first,), "nothing; a world is the simulator's: `benchd-sim up FILE`")])
    # A kind further down is a file turned about; none at all is a mistyped or a foreign one.
    late = next((key for key in source.data if key in KINDS), None)
    near = near_names(first, KINDS, 1)
    suggestion = f"; did you mean '{near[0]}'?" if near else ""
    allowed = f"the key {late} first, which says what the file is" if late else f"one of {', '.join(KINDS)}{suggestion}"
    raise FileProblems([source.problem((first,), allowed)])


def _bench(path: Path, checked: Checked) -> None:
    from benchd.procedures.read_bench import read_bench

    whole = read_bench(path)
    checked.notes += whole.notes
    file, records = whole.loaded.file, whole.loaded.records
    counts = (
        (len(file.devices), "device"),
        (len(file.links), "link"),
        (len(records.lenses), "lens"),
        (len(records.adapters), "adapter"),
        (len(records.glasses), "glass"),
        (len(records.references), "reference"),
    )
    listed = ", ".join(_counted(count, name) for count, name in counts)
    checked.says = f"{file.arrangement.kind} bench {file.bench}"
    checked.more = [listed, f"roles {', '.join(file.roles)}"]


def _counted(count: int, noun: str) -> str:
    if count == 1:
        return f"1 {noun}"
    return f"{count} {noun}es" if noun.endswith("s") else f"{count} {noun}s"


def _record(source: Source, checked: Checked) -> None:
    from benchd.files.problems import FileProblems
    from benchd.files.records_folder import FOLDERS, MODELS, Records
    from benchd.files.source import check
    from benchd.files.unheeded import unheeded

    kind: Any = checked.kind
    record = check(source, MODELS[kind])
    checked.says = f"{kind} {getattr(record, kind)}"
    checked.notes += [str(problem) for problem in unheeded(kind, source)]
    folder = source.path.absolute().parent
    if folder.name != FOLDERS[kind]:
        checked.notes.append(f"It stands in no folder {FOLDERS[kind]}/, so what it names was not looked up.")
        return
    try:
        Records.load(folder.parent)
    except FileProblems as error:
        # Problems of the other records are reported when those files are checked.
        here = source.path.resolve()
        checked.problems = [problem for problem in error.problems if Path(problem.file).resolve() == here]


def _procedure(path: Path, checked: Checked, bench: Path | None, inputs: list[str]) -> None:
    from benchd.procedures.check import check_procedure
    from benchd.procedures.language import read_procedure

    file = read_procedure(path)
    procedure = file.procedure
    library = _callable(path, bench) | {procedure.procedure: procedure}
    check_procedure(file, library=library)
    checked.says = f"procedure {procedure.procedure}: {procedure.title}, {_counted(len(procedure.steps), 'step')}"
    if bench is None:
        names = ", ".join(f"{name}{'' if wanted.required else '?'}" for name, wanted in procedure.inputs.items())
        checked.notes.append(f"Inputs: {names or 'none'}. With --bench FILE and its inputs it is gone through as well.")
        return
    from benchd.bench.assembly import build
    from benchd.cli.inputs import from_words
    from benchd.cli.offline import Offline
    from benchd.files.loading import load_bench
    from benchd.procedures.inputs import parse_inputs
    from benchd.procedures.predict import dry_run

    loaded = load_bench(bench)
    offline = Offline(loaded, build(loaded))
    given = from_words(inputs, procedure.describe()["inputs"])
    values = parse_inputs(procedure.inputs, given, offline.known())
    plan = dry_run(procedure, values, offline.figures(), offline.facts, library, offline.known())
    checked.plan = plan.as_json()
    checked.notes += offline.notes


def _callable(path: Path, bench: Path | None) -> dict[str, Procedure]:
    """The procedures that a file may call: shipped ones, those beside it, those of the bench."""
    from benchd.files.problems import FileProblems
    from benchd.procedures.language import read_procedure
    from benchd.procedures.library import Library
    from benchd.procedures.read_bench import PROCEDURES

    found = dict(Library.shipped().procedures)
    folders = [path.parent] if bench is None else [path.parent, bench.parent / PROCEDURES]
    for other in (file for folder in folders for file in sorted(folder.glob("*.yaml")) if file != path):
        try:
            procedure = read_procedure(other).procedure
        except FileProblems:
            continue  # another kind of file, or one whose problems are reported when it is checked itself
        found[procedure.procedure] = procedure
    return found


def _print_result(result: Checked) -> None:
    if result.problems:
        print(f"{result.file}: {_counted(len(result.problems), 'problem')}")
        for problem in result.problems:
            print(wrapped(f"  {problem}", sys.stdout))
    else:
        print(f"{result.file}: fine; {result.says}.")
        for line in result.more:
            print(f"  {line}")
    for note in result.notes:
        print(wrapped(f"  note: {note}", sys.stdout))
    if result.plan is not None:
        from benchd.cli.console import out
        from benchd.cli.plans import plan_table

        out().print(plan_table(result.plan))
