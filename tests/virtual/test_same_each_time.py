"""One number makes one history: the bytes on the cables, and with them all that was decided, come out the same."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CHECK = """
import sys
from pathlib import Path
from tests.virtual.lab import Lab, run
from technician import Technician

async def work(folder, seed):
    async with Lab(folder, seed=seed) as lab:
        await lab.start_daemon()
        async with lab.client("alice") as client:
            await client.command("take", beat=False)
            technician = Technician(lab, client, lambda _: None)
            await client.do("home")
            await technician.calibrate(["ring-07"])
            finding = await technician.check("L-0417", ["ring-07"], [])
    return finding["values"]

print(run(work(Path(sys.argv[1]), int(sys.argv[2])), int(sys.argv[2])))
"""


def in_a_process(program: str, folder: Path, seed: int, hash_seed: str) -> str:
    """What it prints."""
    (folder / "xdg").mkdir(parents=True, mode=0o700)
    environment = os.environ | {
        "PYTHONHASHSEED": hash_seed,
        "PYTHONPATH": f"{ROOT}:{ROOT / 'scripts'}",
        "XDG_RUNTIME_DIR": str(folder / "xdg"),
    }
    done = subprocess.run(
        [sys.executable, "-c", program, folder / "bench", str(seed)],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def history(folder: Path, seed: int, hash_seed: str) -> tuple[str, str]:
    """Digest of the journal, and the finding, of one morning in a process of its own."""
    done = in_a_process(CHECK, folder, seed, hash_seed)
    return hashlib.sha256((folder / "bench" / "journal.tsv").read_bytes()).hexdigest(), done.splitlines()[-1]


DRAWN = """
import sys
from pathlib import Path
from tests.virtual.drawn import drawn
from tests.virtual.play import play

seed = int(sys.argv[2])
outcome = play(drawn(seed), seed, curves=seed % 2 == 0)
Path(sys.argv[1]).write_text("\\n".join([*outcome.lines, *map(str, outcome.broken)]))
"""
SEEDS = (2, 5)
"""With a kill and a full disk, and with a restart and resets, among others."""


def test_two_processes_with_one_number_live_the_same_morning(tmp_path: Path) -> None:
    first = history(tmp_path / "a", 4, "1")
    assert history(tmp_path / "b", 4, "2") == first
    assert (tmp_path / "a" / "bench" / "journal.tsv").stat().st_size > 1e5, "a morning is no empty file"


@pytest.mark.parametrize("seed", SEEDS)
def test_two_processes_live_the_same_hours_of_misuse(tmp_path: Path, seed: int) -> None:
    for hash_seed in ("1", "2"):
        in_a_process(DRAWN, tmp_path / hash_seed, seed, hash_seed)
    first, again = ((tmp_path / hash_seed / "bench").read_text().splitlines() for hash_seed in ("1", "2"))
    assert [(one, two) for one, two in zip(first, again, strict=False) if one != two][:1] == []
    assert len(first) == len(again) > 1000
