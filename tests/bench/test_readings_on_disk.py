"""On disk before it is told: what was heard of readings is a subset of what is kept, whatever becomes of the disk."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import benchd

# A limit on the size of files stands for the full disk: mounting a small one is not everybody's right.
TELLER = """
import asyncio, json, resource, sys
from pathlib import Path
from benchd.bench.notices import Notices
from benchd.bench.run_record import keep_and_publish
from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.records.reader import Reader
from benchd.records.store import Store
from benchd.records.values import ReadingRow

def rows(run, idx):
    return [ReadingRow(run, idx, "", 0.0, 1.0, 2.0, "view", channel, idx / 7, "1") for channel in ("v", "h")]

async def main(folder):
    store = await Store.open("sqlite:///bench.db", folder, Clock())
    run = await store.add_run("flange_check", text_sha="", inputs={}, setup=None, lens=None, job=None, user="test")
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
    notices, heard, refused, unkept, idx = Notices(), [], 0, 0, 0
    with notices.subscribe() as subscription:

        async def listen():
            nonlocal unkept
            async for notice in subscription:
                kept = {(row.idx, row.channel) for row in Reader.open("sqlite:///bench.db", folder).readings(run)}
                heard.append((notice.doc["idx"], notice.doc["channel"]))
                unkept += heard[-1] not in kept

        listening = asyncio.create_task(listen())
        while refused < 3 and idx < 100_000:
            try:
                await keep_and_publish(store, notices, rows(run, idx))
                idx += 1
            except BenchdError as error:
                assert error.code == "disk_full", error
                refused += 1
            await asyncio.sleep(0)
        paused = len(heard)
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
        await keep_and_publish(store, notices, rows(run, idx))
        await asyncio.sleep(0.2)
        listening.cancel()
    await store.close()
    print(json.dumps({"refused": refused, "paused": paused, "kept": 2 * idx, "heard": len(heard), "unkept": unkept}))

asyncio.run(main(Path(sys.argv[1])))
"""


def test_while_there_is_no_room_nothing_is_heard_that_is_not_kept(tmp_path: Path) -> None:
    """Told first, a reading was on a display, and in no record once the daemon ended while it waited for room."""
    done = subprocess.run(
        [sys.executable, "-c", TELLER, str(tmp_path)], capture_output=True, text=True, check=False, timeout=240
    )
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["refused"] == 3
    assert said["kept"] > 0
    assert said["paused"] == said["kept"], "what was refused was told"
    assert said["heard"] == said["kept"] + 2, "with room it was"
    assert said["unkept"] == 0, "told before it was kept"


def test_nobody_tells_a_reading_another_way() -> None:
    """Sweep and `read` step each told by themselves: the rule stands in one place, which keeps before it tells."""
    root = Path(benchd.__file__).parent
    tellers = {
        str(path.relative_to(root))
        for path in root.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and ((node.func.attr == "tell" and _begins_with_reading(node)) or node.func.attr == "add_readings")
    }
    assert tellers - {"records/store.py"} == {"bench/run_record.py"}


def _begins_with_reading(call: ast.Call) -> bool:
    first = call.args[0] if call.args else None
    named = isinstance(first, ast.Constant) and first.value == "reading"
    return named or (isinstance(first, ast.Name) and first.id == "TOPIC")
