"""The process dies at any moment, and every acknowledged reading is on disk, once and whole."""

from __future__ import annotations

import asyncio
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from benchd.devices.clock import Clock
from benchd.records.store import Store
from benchd.records.values import ReadingRow

KILLS = 10
SEED = 20310405

# Writes batches of readings without end, and says on stdout which batch was acknowledged.
WRITER = """
import asyncio, random, sys
from pathlib import Path
from benchd.devices.clock import Clock
from benchd.records.store import Store
from benchd.records.values import ReadingRow

async def main(folder, seed):
    store = await Store.open("sqlite:///bench.db", Path(folder), Clock())
    run = await store.add_run("flange_check", text_sha="", inputs={}, setup=None, lens=None, job=None, user="test")
    print("run", run, flush=True)
    draw, idx = random.Random(seed), 0
    while True:
        size = draw.randint(1, 40)
        places = [(i, c) for i in range(idx, idx + size) for c in "vh"]
        await store.add_readings([ReadingRow(run, i, "", 0.0, 0.0, 0.0, "view", c, i / 7, "1") for i, c in places])
        idx += size
        print("kept", idx, flush=True)

asyncio.run(main(sys.argv[1], int(sys.argv[2])))
"""


def test_killed_while_writing(tmp_path: Path) -> None:
    draw = random.Random(SEED)
    for kill in range(KILLS):
        seed = draw.randrange(2**32)
        child = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path), str(seed)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        run = child.stdout.readline().split()[1]
        # One batch at least is acknowledged before the blow.
        heard = [child.stdout.readline()]
        time.sleep(draw.uniform(0.0, 0.08))
        child.send_signal(signal.SIGKILL)
        heard += [line for line in child.stdout if line.endswith("\n")]
        assert child.wait() == -signal.SIGKILL
        child.stdout.close()

        assert run == f"r-{kill + 1:04d}"
        rows = asyncio.run(what_is_left(tmp_path, run))
        count = len(rows) // 2
        assert count >= int(heard[-1].split()[1])
        assert [(row.idx, row.channel) for row in rows] == [(i, c) for i in range(count) for c in "hv"]
        assert all(row.value == row.idx / 7 for row in rows)
        # Batches are whole: what stands there ends where one of the writer's batches ended.
        sizes, ends = random.Random(seed), [0]
        while ends[-1] < count:
            ends.append(ends[-1] + sizes.randint(1, 40))
        assert ends[-1] == count


async def what_is_left(folder: Path, run: str) -> list[ReadingRow]:
    store = await Store.open("sqlite:///bench.db", folder, Clock())
    assert [left.run for left in store.abandoned] == [run]
    assert (await store.run(run)).state == "failed"
    rows = await store.readings(run)
    await store.close()
    return rows
