"""Read a whole bench: its file, the files beside it, its devices' keys, its procedures, its record.

Used by both `check` and `up`, so that `up` starts whatever `check` passes.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from benchd.arrangements.registry import ARRANGEMENTS, arrangement_of
from benchd.bench.assembly import ROTARY, Assembly, build, switch_notes
from benchd.bench.datum.chain import position_notes, position_record
from benchd.bench.plausible import unlikely
from benchd.bench.room_at_nominal import too_near
from benchd.bench.within_reach import WithinReach
from benchd.detectors import registry as detectors
from benchd.devices import Axis, Encoder
from benchd.files.bench_file import store_path
from benchd.files.loading import LoadedBench, load_bench
from benchd.files.problems import FileProblems, Problem
from benchd.files.records_folder import FOLDERS
from benchd.files.seats import fits_nowhere
from benchd.files.unheeded import unheeded
from benchd.procedures.library import Library
from benchd.questions import registry as questions

PROCEDURES = "procedures"
"""The folder beside a bench file that holds its own procedures."""


@dataclass(frozen=True)
class WholeBench:
    """A bench as read, no device opened. `notes` are sentences on what is allowed but probably a mistake."""

    loaded: LoadedBench
    assembly: Assembly
    library: Library
    notes: tuple[str, ...]


def read_bench(path: Path) -> WholeBench:
    """Read a whole bench. Raises FileProblems with every problem of every file."""
    loaded = load_bench(path)
    problems: list[Problem] = []
    assembly: Assembly | None = None
    library: Library | None = None
    try:
        assembly = build(loaded)
    except FileProblems as error:
        problems += error.problems
    try:
        library = Library.load((loaded.folder / PROCEDURES,))
    except FileProblems as error:
        problems += error.problems
    if unfit := _unfit_store(loaded):
        problems.append(loaded.source.problem(("store", "url"), unfit))
    if problems or assembly is None or library is None:
        raise FileProblems(problems)
    return WholeBench(loaded, assembly, library, tuple(_notes(loaded, assembly)))


def _unfit_store(loaded: LoadedBench) -> str:
    """Why the daemon could not open the record; empty if it could."""
    path = loaded.folder / store_path(loaded.file.store.url)
    if not path.parent.is_dir():
        return f"a file in a folder that is there; {path.parent} is none"
    if path.is_dir() or not os.access(path if path.exists() else path.parent, os.W_OK):
        return f"a file that may be written to; {path} is none"
    if not path.exists():
        return ""
    from benchd.records.reader import refusal

    return refusal(path)


def _notes(loaded: LoadedBench, assembly: Assembly) -> list[str]:
    encoder = assembly.in_role("position", Encoder)
    scale = position_record(loaded.file, None if encoder is None else encoder.spec)
    return [
        *fits_nowhere(loaded.file, loaded.records),
        *WithinReach(loaded, assembly.named("carriage", Axis).spec).notes(scale),
        *too_near(loaded),
        *position_notes(scale),
        *questions.passed_over(),
        *detectors.passed_over(),
        *ARRANGEMENTS.passed_over(),
        *unlikely(loaded, assembly.devices),
        *switch_notes(loaded, assembly.devices),
        *_without_effect(loaded, assembly),
        *_folders_not_read(loaded),
    ]


def _without_effect(loaded: LoadedBench, assembly: Assembly) -> list[str]:
    """Notes on keys of the files that have no effect on this bench."""
    file, found = loaded.file, unheeded("bench", loaded.source)
    for (kind, _), source in loaded.records.sources.items():
        found += unheeded(kind, source)
    places: list[tuple[tuple[str, ...], str]] = []
    if file.steps is not None and assembly.in_role("position", Encoder) is not None:
        places.append((("steps",), "the scale in the role position counts"))
    if "distance_mm" not in arrangement_of(file).goes_by and "u_distance_mm" in file.set_up.model_fields_set:
        places.append((("set_up", "u_distance_mm"), f"there is no wall in the arrangement {file.arrangement.kind}"))
    for role in ("temperature", "range", "level"):
        if getattr(file.sensors, role) is not None and role not in file.roles:
            places.append((("sensors", role), f"no device has the role {role}"))
    used = {device.link for device in file.devices.values()}
    places += [(("links", link), "no device is on it") for link in file.links if link not in used]
    for name, device in assembly.devices.items():
        driven = {file.roles.get(role) for role in ("carriage", *ROTARY)}
        if isinstance(device, Axis) and name not in driven:
            places.append((("devices", name), "an axis is driven in a role: carriage, " + ", ".join(ROTARY)))
    found += [loaded.source.problem(at, f"without effect: {why}") for at, why in places]
    return [str(problem) for problem in found]


def _folders_not_read(loaded: LoadedBench) -> list[str]:
    drawer = loaded.folder / loaded.file.records
    named = {drawer / kind: folder for kind, folder in FOLDERS.items()} | {loaded.folder / "procedure": PROCEDURES}
    return [f"The folder {path} is not read; the name is {right}." for path, right in named.items() if path.is_dir()]
