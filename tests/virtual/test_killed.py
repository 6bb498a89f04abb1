"""A daemon that is killed or held up, whatever it is about; its record is left as SIGKILL leaves one.

What a killed writer leaves behind, and that the next one finds all that was committed: https://sqlite.org/wal.html,
'How The WAL File Is Recovered'.
"""

from __future__ import annotations

import asyncio
import json
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import cast

import pytest

from tests.virtual.ends.serial_end import MemoryPort
from tests.virtual.lab import Lab, run
from tests.virtual.moments import Moments


def whole(lab: Lab) -> str:
    with closing(sqlite3.connect(f"file:{lab.bench_file.parent / 'workshop.db'}?mode=ro", uri=True)) as record:
        (found,) = record.execute("PRAGMA integrity_check").fetchone()
    return str(found)


async def _killed_as_it_starts(folder: Path, seed: int, after_s: float) -> bool:
    """Whether it was still starting; then nothing of it is left, and another one starts."""
    async with Lab(folder, seed=seed) as lab:
        starting = asyncio.create_task(lab.start_daemon())
        await asyncio.sleep(after_s)
        cut_short = not starting.done()
        await lab.kill_daemon()
        await asyncio.wait_for(starting, 0.1)
        assert not lab.rig.cables["board"].port.in_use
        await asyncio.sleep(0.1)
        assert not lab.broker.clients
        await lab.start_daemon()
        assert lab.daemon is not None
        await lab.end_daemon()
        assert whole(lab) == "ok"
        return cut_short


@pytest.mark.parametrize("after_s", [0.001, 0.01, 0.03, 0.1])
def test_killed_as_it_starts_it_keeps_the_next_from_nothing(tmp_path: Path, after_s: float) -> None:
    assert run(_killed_as_it_starts(tmp_path, 2, after_s), 2)


async def _killed_in_commits(folder: Path, seed: int) -> tuple[set[int], set[int]]:
    """What the writer acknowledged before it was killed, and what stands in the record of the next daemon."""
    async with Lab(folder, seed=seed) as lab:
        moments = Moments()
        lab.moment = moments.now
        lab.disk.slow_s = 0.01
        await lab.start_daemon()
        async with lab.client("alice") as client:
            await client.command("take", beat=False)
            killing = asyncio.create_task(moments.come("committing", 12 + seed))
            told: set[int] = set()

            async def ask(number: int) -> None:
                await client.command("setup", set={"trim_um": float(number)})
                told.add(number)

            asking = [asyncio.create_task(ask(number)) for number in range(1, 40)]
            await killing
            await asyncio.sleep(0.005)
            await lab.kill_daemon()
            await asyncio.sleep(1.0)  # what the broker has of its answers still arrives
            for one in asking:
                one.cancel()
            await asyncio.wait(asking)
        assert whole(lab) == "ok"
        await lab.start_daemon()
        await lab.end_daemon()
        with closing(sqlite3.connect(f"file:{folder / 'workshop' / 'workshop.db'}?mode=ro", uri=True)) as record:
            rows = record.execute("SELECT doc FROM setup").fetchall()
    return told, {round(json.loads(doc)["trim_um"]) for (doc,) in rows}


def test_what_was_acknowledged_stands_in_the_record_after_a_kill_in_a_commit(tmp_path: Path) -> None:
    """One more may stand there that nobody was told of, as its commit was done when the kill came."""
    more = Counter[int]()
    for seed in range(1, 9):
        told, kept = run(_killed_in_commits(tmp_path / str(seed), seed), seed)
        assert told <= kept
        assert len(told) > 3
        more[len(kept - told - {0})] += 1
    assert set(more) == {0, 1}


def test_one_that_is_held_up_misses_nothing_and_the_world_goes_on(tmp_path: Path) -> None:
    async def work() -> tuple[float, float, Counter[str]]:
        async with Lab(tmp_path, seed=3) as lab:
            await lab.start_daemon()
            async with lab.client("alice") as client:
                await client.command("take", beat=False)
                await client.do("home")
                moving = asyncio.create_task(client.do("move", carriage_um=20_000.0))
                await asyncio.sleep(1.0)
                before_um, wrote = lab.machine.motor.position_um, Counter[str]()
                port = cast(MemoryPort, lab.rig.cables["board"].port)
                port.wrote = lambda data: wrote.update([data.decode("latin-1")])
                lab.hold_up(0.5)
                await asyncio.sleep(0.49)
                held, after_um = Counter(wrote), lab.machine.motor.position_um
                await moving
                state = await client.kept("device/carriage")
                assert state["homed"], state["why"]
                return before_um, after_um, held

    before_um, after_um, held = run(work(), 3)
    assert abs(after_um - before_um) > 1000.0
    assert not held
