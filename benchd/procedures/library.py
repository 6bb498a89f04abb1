"""The available procedures: those that ship and those of a user's folder, each checked against all."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path

from benchd.errors import Refused
from benchd.files.problems import FileProblems
from benchd.files.source import other_endings
from benchd.files.wording import READ_AT_START, near_names
from benchd.procedures.check import check_procedure
from benchd.procedures.language import Procedure, ProcedureFile, read_procedure

SHIPPED = Path(__file__).parent / "shipped"


class Library(Mapping[str, ProcedureFile]):
    """Procedures by name. Looking up a name that is not there raises Refused('unknown_name') with near names."""

    def __init__(self, files: Mapping[str, ProcedureFile]) -> None:
        self._files = dict(files)

    @classmethod
    def shipped(cls) -> Library:
        """The procedures that come with the package."""
        return cls.load(())

    @classmethod
    def load(cls, folders: Sequence[Path]) -> Library:
        """The shipped ones and every `*.yaml` of `folders` (a missing folder is empty).

        Raises FileProblems with every problem of every file, two files of one name among them.
        """
        found: dict[str, ProcedureFile] = {}
        problems = [problem for folder in folders for problem in other_endings(folder)]
        for path in (path for folder in (SHIPPED, *folders) for path in sorted(folder.glob("*.yaml"))):
            try:
                file = _shipped(path) if path.parent == SHIPPED else read_procedure(path)
            except FileProblems as error:
                problems += error.problems
                continue
            name = file.procedure.procedure
            if name in found:
                other = found[name].source.path
                problems.append(file.source.problem(("procedure",), f"a name of its own; {other} has it already"))
                continue
            found[name] = file
        library = cls(found)
        for file in found.values():
            try:
                check_procedure(file, library=library.procedures)
            except FileProblems as error:
                problems += error.problems
        if problems:
            raise FileProblems(problems)
        return library

    @property
    def procedures(self) -> Mapping[str, Procedure]:
        """The procedures alone, without their files."""
        return {name: file.procedure for name, file in self._files.items()}

    def __getitem__(self, name: str) -> ProcedureFile:
        if name not in self._files:
            near = near_names(name, self._files)
            advice = f"Did you mean {' or '.join(near)}?" if near else f"Known: {', '.join(self._files)}."
            text = f"There is no procedure '{name}'."
            raise Refused("unknown_name", text, advice=f"{advice} {READ_AT_START}", data={"near": near})
        return self._files[name]

    def __contains__(self, name: object) -> bool:
        return name in self._files

    def __iter__(self) -> Iterator[str]:
        return iter(self._files)

    def __len__(self) -> int:
        return len(self._files)


@cache
def _shipped(path: Path) -> ProcedureFile:
    """One of the package's own, which stay as they are while it runs."""
    return read_procedure(path)
