"""The command line's read-only look at the record, beside a writing daemon and without one."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.records.reader import Reader
from benchd.records.store import Store
from benchd.records.values import ReadingRow

URL = "sqlite:///bench.db"


async def write(store: Store, count: int) -> str:
    run = await store.add_run("flange_check", text_sha="", inputs={}, setup=1, lens="L-0417", job=None, user="w")
    await store.add_readings([ReadingRow(run, i, "", 0.0, 0.0, 0.0, "view", "v", 0.5, "1") for i in range(count)])
    return run


async def test_it_sees_what_the_daemon_has_acknowledged_while_it_writes(tmp_path: Path) -> None:
    store = await Store.open(URL, tmp_path, Clock())
    first = await write(store, 3)
    with Reader.open(URL, tmp_path) as reader:
        assert len(reader.readings(first)) == 3
        second = await write(store, 5)
        assert len(reader.readings(second)) == 5
        assert [run.run for run in reader.runs("L-0417")] == [second, first]
        assert reader.setup() is None
        await store.put_lens("L-0417", {"serial": "2231"})
        assert reader.lens("L-0417") == {"serial": "2231"}
        assert reader.lenses() == ["L-0417"]
        with pytest.raises(BenchdError, match="no finding f-1") as refused:
            reader.finding("f-1")
        assert refused.value.code == "unknown_name"
    await store.close()


async def test_it_reads_without_a_daemon_and_changes_nothing(tmp_path: Path) -> None:
    store = await Store.open(URL, tmp_path, Clock())
    run = await write(store, 3)
    await store.close()
    before = (tmp_path / "bench.db").read_bytes()
    with Reader.open(URL, tmp_path) as reader:
        assert len(reader.readings(run)) == 3
        # A reader does not close the runs of the daemon beside it.
        assert reader.run(run).state == "running"
    assert (tmp_path / "bench.db").read_bytes() == before


async def test_it_cannot_write(tmp_path: Path) -> None:
    await (await Store.open(URL, tmp_path, Clock())).close()
    with Reader.open(URL, tmp_path) as reader, pytest.raises(BenchdError, match="readonly"):
        reader._ask(lambda c: c.exec_driver_sql("DELETE FROM run"))


def test_no_record_yet_is_said_and_none_is_made(tmp_path: Path) -> None:
    with pytest.raises(BenchdError, match="no record"):
        Reader.open(URL, tmp_path)
    assert list(tmp_path.iterdir()) == []
