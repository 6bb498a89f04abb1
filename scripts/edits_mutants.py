"""Is each small edit of what keeps records whole noticed? Each is tried in a scratch copy, one after another."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from soak_mutants import MUTANTS, Mutant, laid_out, mutants

OF_RECORDS = MUTANTS / "records"
COUNT, SEEDS = 150, (1, 2)
BROKEN = 1
"""Exit code of `scripts/edits` where the rule was broken."""


def caught(name: str | None = None) -> int:
    """Print for each what was seen. 0 where all are caught but those that say why they survive, 1 where not, 2 where
    there is none of that name."""
    chosen = [mutant for mutant in mutants(OF_RECORDS) if name in (None, mutant.name)]
    if not chosen:
        print(f"There is no mutant '{name}'.", file=sys.stderr)
        return 2
    seen = [_seen(mutant) for mutant in chosen]
    print(f"{sum(map(bool, seen))} of {len(seen)} were caught.")
    return 0 if all(one or mutant.survives for one, mutant in zip(seen, chosen, strict=True)) else 1


def _seen(mutant: Mutant) -> str:
    """What broke, '' where nothing did."""
    with tempfile.TemporaryDirectory(prefix="benchd-mutant-") as folder:
        scratch = Path(folder)
        environment = laid_out(mutant, scratch)
        for seed in SEEDS:
            command = [
                sys.executable,
                str(scratch / "scripts" / "edits.py"),
                f"--count={COUNT}",
                f"--seed={seed}",
                "--json",
            ]
            done = subprocess.run(command, env=environment, cwd=scratch, capture_output=True, text=True, check=False)
            told = [line for line in done.stderr.splitlines() if line.startswith("BROKEN: ")]
            if done.returncode == BROKEN and told:
                print(f"{mutant.name}: caught, {told[0].removeprefix('BROKEN: ')[:160]}", flush=True)
                return told[0]
    print(f"{mutant.name}: survived{f': {mutant.survives}' if mutant.survives else ''}", flush=True)
    return ""
