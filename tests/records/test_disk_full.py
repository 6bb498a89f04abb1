"""No room on the disk. The refusal says so, what was acknowledged stays, and writing goes on with room."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

# A limit on the size of files stands for the full disk: mounting a small one is not everybody's right.
WRITER = """
import asyncio, json, resource, sys
from pathlib import Path
from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.records.store import Store
from benchd.records.values import ReadingRow

def rows(run, first, count):
    return [ReadingRow(run, i, "", 0.0, float(i), 0.0, "view", "v", i / 7, "1") for i in range(first, first + count)]

async def main(folder):
    store = await Store.open("sqlite:///bench.db", Path(folder), Clock())
    run = await store.add_run("flange_check", text_sha="", inputs={}, setup=None, lens=None, job=None, user="test")
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, hard))
    kept, told = 0, None
    while told is None and kept < 100_000:
        try:
            await store.add_readings(rows(run, kept, 100))
            kept += 100
        except BenchdError as error:
            told = error.as_json()
    readable = len(await store.readings(run))
    ended = None
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        await store.end_run(run, "aborted")
    except BenchdError as error:
        ended = error.code
    left_open = (await store.run(run)).ended is None
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    await store.add_readings(rows(run, kept, 100))
    after = [row.idx for row in await store.readings(run)]
    await store.add_run("flange_check", text_sha="", inputs={}, setup=None, lens=None, job=None, user="test")
    stands = (await store.run(run)).state
    await store.close()
    print(json.dumps({
        "kept": kept, "told": told, "readable": readable, "whole": after == list(range(kept + 100)),
        "ended": ended, "left_open": left_open, "stands": stands,
    }))

asyncio.run(main(sys.argv[1]))
"""


def test_no_room_on_the_disk(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", WRITER, str(tmp_path)], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["told"]["code"] == "disk_full"
    assert str(tmp_path / "bench.db") in said["told"]["text"]
    assert said["kept"] > 0
    assert said["readable"] == said["kept"]
    assert said["whole"]
    # The run's end found no room either, and is written before the next one begins.
    assert (said["ended"], said["left_open"], said["stands"]) == ("disk_full", True, "aborted")
