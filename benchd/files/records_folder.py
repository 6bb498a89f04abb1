"""All records of a folder, read at once, looked up by id."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel

from benchd.errors import Refused
from benchd.files.artefacts import Adapter, Glass, Lens, Reference
from benchd.files.problems import FileProblems, Problem
from benchd.files.source import Source, check, other_endings, parse_yaml, read_text
from benchd.files.wording import READ_AS_THEY_CHANGE, near_names

Kind = Literal["adapter", "glass", "reference", "lens"]
FOLDERS: dict[Kind, str] = {"adapter": "adapters", "glass": "glasses", "reference": "references", "lens": "lenses"}
MODELS: dict[Kind, type[BaseModel]] = {"adapter": Adapter, "glass": Glass, "reference": Reference, "lens": Lens}

RecordT = TypeVar("RecordT")


@dataclass(frozen=True)
class Records:
    """All records by id, one name space per kind. `sources` are their files, for problems found later."""

    adapters: Mapping[str, Adapter] = field(default_factory=dict)
    glasses: Mapping[str, Glass] = field(default_factory=dict)
    references: Mapping[str, Reference] = field(default_factory=dict)
    lenses: Mapping[str, Lens] = field(default_factory=dict)
    sources: Mapping[tuple[Kind, str], Source] = field(default_factory=dict)

    @classmethod
    def load(cls, folder: Path, before: Records | None = None) -> Records:
        """Read all four folders (a missing one is empty). Raises FileProblems with every problem of every file.

        What reads as it did `before` is not checked anew.
        """
        texts: dict[Path, str] = {}
        problems: list[Problem] = []
        for name in FOLDERS.values():
            problems += other_endings(folder / name)
            for path in sorted((folder / name).glob("*.yaml")):
                if path.name.startswith("."):
                    continue  # an editor's own
                try:
                    texts[path] = read_text(path)
                except FileProblems as error:
                    problems += error.problems
        return cls.of_texts(texts, before, problems)

    @classmethod
    def of_texts(
        cls, texts: Mapping[Path, str], before: Records | None = None, problems: Iterable[Problem] = ()
    ) -> Records:
        """The records whose files have these texts, or are about to have them. Raises FileProblems as `load`."""
        kind_of = {name: kind for kind, name in FOLDERS.items()}
        found: dict[Kind, dict[str, Any]] = {kind: {} for kind in FOLDERS}
        sources: dict[tuple[Kind, str], Source] = {}
        wrong = list(problems)
        known = {} if before is None else {source.path: source for source in before.sources.values()}
        for path in sorted(texts):
            kind, source = kind_of[path.parent.name], known.get(path)
            try:
                if before is not None and source is not None and source.text == texts[path]:
                    record = before.of(kind)[str(source.data[kind])]
                else:
                    source = parse_yaml(path, texts[path])
                    record = check(source, MODELS[kind])
            except FileProblems as error:
                wrong += error.problems
                continue
            record_id = str(getattr(record, kind))
            same_id = next((other for other in found[kind] if other.lower() == record_id.lower()), None)
            if same_id is not None:
                other = sources[kind, same_id].path
                wrong.append(source.problem((kind,), f"an id of its own; {other} has it already"))
                continue
            found[kind][record_id] = record
            sources[kind, record_id] = source
        records = cls(found["adapter"], found["glass"], found["reference"], found["lens"], sources)
        if not wrong:
            wrong = records._contradictions()
        if wrong:
            raise FileProblems(wrong)
        return records

    def of(self, kind: Kind) -> Mapping[str, Any]:
        """All of one kind, by id."""
        by_kind: dict[Kind, Mapping[str, Any]] = {
            "adapter": self.adapters,
            "glass": self.glasses,
            "reference": self.references,
            "lens": self.lenses,
        }
        return by_kind[kind]

    def look_up(self, kind: Kind, record_id: str) -> Any:
        """Raises Refused('unknown_name')."""
        return _look_up(kind, self.of(kind), record_id)

    def adapter(self, record_id: str) -> Adapter:
        """Raises Refused('unknown_name')."""
        return _look_up("adapter", self.adapters, record_id)

    def glass(self, record_id: str) -> Glass:
        """Raises Refused('unknown_name')."""
        return _look_up("glass", self.glasses, record_id)

    def reference(self, record_id: str) -> Reference:
        """Raises Refused('unknown_name')."""
        return _look_up("reference", self.references, record_id)

    def lens(self, record_id: str) -> Lens:
        """Raises Refused('unknown_name')."""
        return _look_up("lens", self.lenses, record_id)

    def _contradictions(self) -> list[Problem]:
        problems = []
        for glass in self.glasses.values():
            for index, adapter in enumerate(glass.fits):
                if adapter not in self.adapters:
                    wrong = _known("an adapter", adapter, self.adapters)
                    problems.append(self.sources["glass", glass.id].problem(("fits", index), wrong))
        for lens in self.lenses.values():
            if lens.designed_for_glass is not None and lens.designed_for_glass not in self.glasses:
                wrong = _known("a glass", lens.designed_for_glass, self.glasses)
                problems.append(self.sources["lens", lens.id].problem(("designed_for_glass",), wrong))
        return problems + self._shared_ids()

    def _shared_ids(self) -> list[Problem]:
        # Calibrations are kept by the artefact's id alone, so things that may be calibrated share one name space.
        problems = []
        seen: dict[str, Kind] = {}
        calibrated: list[tuple[Kind, Iterable[str]]] = [
            ("adapter", self.adapters),
            ("glass", self.glasses),
            ("reference", self.references),
        ]
        for kind, ids in calibrated:
            for record_id in ids:
                if (other := seen.setdefault(record_id.lower(), kind)) != kind:
                    wrong = f"an id that no {other} has: calibrations are kept by it"
                    problems.append(self.sources[kind, record_id].problem((kind,), wrong))
        return problems


def _look_up(kind: Kind, known: Mapping[str, RecordT], record_id: str) -> RecordT:
    if record_id in known:
        return known[record_id]
    near = near_names(record_id, known)
    advice = f"Did you mean {' or '.join(near)}?" if near else f"Known: {', '.join(known) or 'none'}."
    raise Refused(
        "unknown_name",
        f"There is no {kind} '{record_id}'.",
        advice=f"{advice} {READ_AS_THEY_CHANGE}",
        data={"kind": kind, "name": record_id, "near": near},
    )


def _known(what: str, name: str, known: Iterable[str]) -> str:
    near = near_names(name, known, 1)
    return f"the id of {what}" + (f"; did you mean '{near[0]}'?" if near else f": {', '.join(known) or 'none there'}")
