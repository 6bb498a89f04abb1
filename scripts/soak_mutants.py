"""Is each small edit of the guarding code caught by a rule? Each is soaked for a minute in a scratch copy.

As many at once as there are cores for it (`taskset -c 0` leaves the others alone); the code as it stands goes first, as
nothing can be said of edits if it is caught.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from ruamel.yaml import YAML

ROOT = Path(__file__).resolve().parent.parent
MUTANTS = ROOT / "tests" / "virtual" / "mutants"
COPIED = ("benchd", "drivers", "simulators", "scripts", "tests", "configs")
LIMIT_S = 60.0
BROKEN = 10
"""Exit code of `soak_first` where a rule was broken."""


UNCHANGED = "the code as it stands"


@dataclass(frozen=True)
class Edit:
    """`old`, which stands once in `file`, becomes `new`."""

    file: str
    old: str
    new: str


@dataclass(frozen=True)
class Mutant:
    """One edit, or several where two guards keep the same; `survives` says why no rule can notice it."""

    name: str
    edits: tuple[Edit, ...]
    survives: str = ""


def mutants(listed: Path = MUTANTS) -> list[Mutant]:
    """All that are listed in that folder. Raises ValueError for one that does not fit the code any more."""
    found = []
    for path in sorted(listed.glob("*.yaml")):
        for entry in YAML(typ="safe").load(path.read_text(encoding="utf-8")):
            edits = entry.get("edits") or [{key: entry[key] for key in ("file", "old", "new")}]
            mutant = Mutant(entry["name"], tuple(Edit(**edit) for edit in edits), entry.get("survives", ""))
            for edit in mutant.edits:
                if (ROOT / edit.file).read_text(encoding="utf-8").count(edit.old) != 1:
                    raise ValueError(f"{path.name}: '{mutant.name}': its `old` does not stand once in {edit.file}")
            found.append(mutant)
    return found


def caught(name: str | None = None) -> int:
    """Print for each what caught it. 0 where all are caught but those that say why they survive, 1 where not, 2 where
    there is none of that name."""
    chosen = [mutant for mutant in mutants() if name in (None, mutant.name)]
    if not chosen:
        print(f"There is no mutant '{name}'.", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory(prefix="benchd-mutant-") as scratch:
        if name is None and (rule := _told(Mutant(UNCHANGED, ()), Path(scratch))):
            print(f"The code as it stands breaks {rule}, so that nothing can be said of mutants.")
            return 1
        with ThreadPoolExecutor(len(os.sched_getaffinity(0))) as pool:
            rules = list(pool.map(lambda mutant: _told(mutant, Path(scratch)), chosen))
    print(f"{sum(map(bool, rules))} of {len(rules)} were caught.")
    return 0 if all(rule or mutant.survives for rule, mutant in zip(rules, chosen, strict=True)) else 1


def _told(mutant: Mutant, scratch: Path) -> str:
    began = time.perf_counter()
    rule, instead = _soaked(mutant, scratch / str(threading.get_ident()))
    said = f"caught by {rule}" if rule else f"{instead}: {mutant.survives}" if mutant.survives else instead
    print(f"{mutant.name}: {said} ({time.perf_counter() - began:.0f} s)", flush=True)
    return rule


def _soaked(mutant: Mutant, scratch: Path) -> tuple[str, str]:
    """The rule that the mutant broke, '' where it broke none in time; and what became of it instead."""
    environment = laid_out(mutant, scratch)
    command = [sys.executable, str(scratch / "scripts" / "soak_first.py"), str(LIMIT_S)]
    try:
        done = subprocess.run(
            command, env=environment, cwd=scratch, capture_output=True, text=True, timeout=2 * LIMIT_S, check=False
        )
    except subprocess.TimeoutExpired:
        return "", "has a history that does not end"
    if done.returncode == BROKEN:
        return done.stdout.strip(), ""
    if done.returncode == 0:
        return "", "survived"
    return "", f"ended in an error: {done.stderr.strip().splitlines()[-1:]}"


def laid_out(mutant: Mutant, scratch: Path) -> dict[str, str]:
    """The code in that folder with this edit, and the environment in which it is found."""
    for part in COPIED:
        shutil.rmtree(scratch / part, ignore_errors=True)
        shutil.copytree(ROOT / part, scratch / part, ignore=shutil.ignore_patterns("__pycache__"))
    for edit in mutant.edits:
        file = scratch / edit.file
        file.write_text(file.read_text(encoding="utf-8").replace(edit.old, edit.new), encoding="utf-8")
    path = os.pathsep.join(str(scratch / part) for part in (".", "drivers", "simulators", "scripts"))
    return os.environ | {"PYTHONPATH": path, "XDG_RUNTIME_DIR": str(scratch / "run")}
