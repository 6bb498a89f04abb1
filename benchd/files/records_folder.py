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
    def load(cls, folder: Path, before: Records | None = None, texts: Mapping[Path, str] | None = None) -> Records:
        """Read all four folders (a missing one is empty). Raises FileProblems with every problem of every file.

        What reads as it did `before` is not checked anew. `texts` are files that are about to be written.
        """
        found: dict[Kind, dict[str, Any]] = {kind: {} for kind in FOLDERS}
        sources: dict[tuple[Kind, str], Source] = {}
        problems: list[Problem] = []
        known = {} if before is None else {source.path: source for source in before.sources.values()}
        for kind, name in FOLDERS.items():
            problems += other_endings(folder / name)
            coming = {path: text for path, text in (texts or {}).items() if path.parent == folder / name}
            for path in sorted({*(folder / name).glob("*.yaml"), *coming}):
                try:
                    text = coming[path] if path in coming else read_text(path)
                    source = known.get(path)
                    if before is not None and source is not None and source.text == text:
                        record = before.of(kind)[str(source.data[kind])]
                    else:
                        source = parse_yaml(path, text)
                        record = check(source, MODELS[kind])
                except FileProblems as error:
                    problems += error.problems
                    continue
                record_id = str(getattr(record, kind))
                same_id = next((known for known in found[kind] if known.lower() == record_id.lower()), None)
                if same_id is not None:
                    other = sources[kind, same_id].path
                    problems.append(source.problem((kind,), f"an id of its own; {other} has it already"))
                    continue
                found[kind][record_id] = record
                sources[kind, record_id] = source
        records = cls(found["adapter"], found["glass"], found["reference"], found["lens"], sources)
        if not problems:
            problems = records._contradictions()
        if problems:
            raise FileProblems(problems)
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
