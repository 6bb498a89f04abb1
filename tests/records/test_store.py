"""The store: what is put in comes out, once, with the ids people see, and nothing put in is written over."""

from __future__ import annotations

import asyncio
import json
import os
import sqlite3
import threading
from collections.abc import AsyncIterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.parts import within
from benchd.records.store import Store
from benchd.records.values import ReadingRow
from tests.one_calibration import add_calibration

URL = "sqlite:///bench.db"


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    opened = await Store.open(URL, tmp_path, Clock())
    yield opened
    await opened.close()


async def begin(store: Store, lens: str | None = "L-0417") -> str:
    return await store.add_run(
        "flange_check",
        text_sha="9f" * 32,
        inputs={"lens": lens, "repeats": 5},
        setup=12,
        lens=lens,
        job=None,
        user="wall",
    )


def reading(run: str, idx: int, *, channel: str = "v", value: float | None = 0.5) -> ReadingRow:
    return ReadingRow(
        run, idx, "2031-04-05T09:12:44.120Z", 71.25, -8.0, 9333.5, "view", channel, value, "1", "good", 0.002
    )


def finding(run: str, *, lens: str | None = "L-0417", assessment: str = "flange") -> dict[str, Any]:
    return {
        "assessment": assessment, "run": run, "setup": 12, "lens": lens, "at": "2031-04-05T09:20:02Z",
        "version": "0.1.0", "measurand": {"arrangement": "wall"}, "absolute": False,
        "values": {"focus_error": {"value": 3.0, "unit": "um", "u": 4.0, "dof": 11.5, "k": 2.2, "U": 8.8}},
        "budgets": {"focus_error": [{"term": "sweep", "u": 4.0, "type": "A", "dof": 11.5, "source": run}]},
        "verdict": None, "advice": None, "readings": {"run": run, "indices": [0, 20]},
    }  # fmt: skip


async def calibrate(store: Store, artefact: str, value: float, *, until: str | None = None) -> str:
    return await add_calibration(
        store,
        artefact,
        value,
        1.8,
        "um",
        at_C=20.0,
        dof=None,
        points=(0.6, -0.6),
        finding=None,
        valid_until=until,
        by="keeper",
    )


async def test_readings_come_back_to_the_last_digit_in_the_order_of_their_index(store: Store) -> None:
    run = await begin(store)
    assert run == "r-0001"
    odd = replace(reading(run, 1), value=0.1 + 0.2, offset_um=None, u=None, quality="suspect")
    nothing = reading(run, 3, value=None)
    await store.add_readings([reading(run, 2, channel="h"), reading(run, 2), odd, nothing])
    assert await store.readings(run) == [odd, reading(run, 2, channel="h"), reading(run, 2), nothing]


async def test_a_flush_that_is_repeated_doubles_nothing(store: Store) -> None:
    run = await begin(store)
    first = [reading(run, i) for i in range(4)]
    await store.add_readings(first)
    await store.add_readings([*first, reading(run, 4)])
    assert [row.idx for row in await store.readings(run)] == [0, 1, 2, 3, 4]


async def test_another_value_in_a_readings_place_is_refused_and_its_whole_batch_left_out(store: Store) -> None:
    run = await begin(store)
    await store.add_readings([reading(run, 0)])
    with pytest.raises(BenchdError, match="other values") as refused:
        await store.add_readings([reading(run, 1), reading(run, 0, value=0.7)])
    assert refused.value.code == "duplicate"
    assert await store.readings(run) == [reading(run, 0)]


@pytest.mark.parametrize("column", ["value", "u", "offset_um", "carriage_um", "t_mono"])
@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_a_reading_is_finite_or_null(column: str, number: float) -> None:
    with pytest.raises(BenchdError, match=column):
        replace(reading("r-0001", 0), **{column: number})  # type: ignore[arg-type]


async def test_a_document_with_a_number_that_is_not_finite_is_refused(store: Store) -> None:
    with pytest.raises(BenchdError, match="not finite"):
        await store.add_setup(1, {"trim_um": float("nan")}, [])
    assert await store.last_setup() is None


async def test_readings_of_a_run_that_is_not_there_are_refused(store: Store) -> None:
    with pytest.raises(BenchdError) as refused:
        await store.add_readings([reading("r-0009", 0)])
    assert refused.value.code == "bad_request"


async def test_a_run_ends_once(store: Store) -> None:
    run = await begin(store)
    begun = await store.run(run)
    assert (begun.state, begun.ended, begun.inputs) == ("running", None, {"lens": "L-0417", "repeats": 5})
    await store.end_run(run, "aborted")
    ended = await store.run(run)
    assert ended.state == "aborted"
    assert ended.ended is not None
    await store.end_run(run, "aborted")
    with pytest.raises(BenchdError, match="ended as aborted"):
        await store.end_run(run, "done")
    assert await store.run(run) == ended


@pytest.mark.parametrize(
    "name", ["r-0007", "r-", "r-x", "r--1", "7", "f-1", "r-1; drop table run", "r-" + "9" * 40, "r-٣"]
)
async def test_an_unknown_run_is_told_as_such(store: Store, name: str) -> None:
    with pytest.raises(BenchdError) as refused:
        await store.run(name)
    assert refused.value.code == "unknown_name"


async def test_a_finding_carries_its_number_and_the_latest_of_its_kind_is_found(store: Store) -> None:
    run = await begin(store)
    first = await store.add_finding(finding(run))
    other = await store.add_finding(finding(run, lens="L-0418"))
    last = await store.add_finding(finding(run))
    toggled = await store.add_finding(finding(run, assessment="glass_toggle"))
    assert [first, other, last, toggled] == ["f-1", "f-2", "f-3", "f-4"]
    for name in (first, other, last, toggled):
        assert (await store.finding(name))["finding"] == name
    (latest,) = await store.findings(assessment="flange", lens="L-0417", limit=1)
    assert latest["finding"] == last
    assert latest["values"] == finding(run)["values"]
    assert await store.findings(assessment="bench_zero") == []
    assert [doc["finding"] for doc in await store.findings(lens="L-0417")] == [toggled, last, first]


async def test_a_finding_of_no_run_is_refused(store: Store) -> None:
    with pytest.raises(BenchdError, match="no run r-0031"):
        await store.add_finding(finding("r-0031"))


async def test_the_newest_calibration_is_in_force(store: Store) -> None:
    assert await calibrate(store, "bench-zero", 24012.4) == "cal-1"
    assert await calibrate(store, "ring-07", 18003.2) == "cal-2"
    assert await calibrate(store, "bench-zero", 24013.1) == "cal-3"
    force = await store.calibrations_in_force("2031-04-05T09:20:02Z")
    assert {name: (c.calibration, c.value) for name, c in force.items()} == {
        "bench-zero": ("cal-3", 24013.1),
        "ring-07": ("cal-2", 18003.2),
    }
    assert force["ring-07"].points == (0.6, -0.6)
    replaced = await store.calibration("cal-1")
    assert replaced.value == 24012.4


async def test_a_calibration_expires_and_the_one_before_it_does_not_come_back(store: Store) -> None:
    await calibrate(store, "bench-zero", 24012.4)
    await calibrate(store, "bench-zero", 24013.1, until="2031-10-01T00:00:00Z")
    assert "bench-zero" in await store.calibrations_in_force("2031-09-30T23:59:59.900Z")
    assert await store.calibrations_in_force("2031-10-01T00:00:00.100Z") == {}
    # The same instant in another zone's writing.
    assert "bench-zero" in await store.calibrations_in_force("2031-10-01T01:30:00+02:00")


async def test_a_row_without_a_value_withdraws_a_calibration(store: Store, tmp_path: Path) -> None:
    """Whoever keeps the record writes it by hand; what was in force before does not come back."""
    await calibrate(store, "ring-07", 18003.2)
    await calibrate(store, "ring-07", 18003.9)
    with closing(sqlite3.connect(tmp_path / "bench.db")) as record, record:
        record.execute(
            "INSERT INTO calibration (artefact, unit, points, by, at) VALUES (?, ?, ?, ?, ?)",
            ("ring-07", "um", "[]", "keeper", "2031-04-05T09:12:44Z"),
        )
    assert await store.calibrations_in_force("2031-04-05T09:20:02Z") == {}
    assert (await store.calibration("cal-2")).value == 18003.9
    await calibrate(store, "ring-07", 18003.4)
    assert (await store.calibrations_in_force("2031-04-05T09:20:02Z"))["ring-07"].calibration == "cal-4"


async def test_a_calibration_names_a_finding_that_is_there(store: Store) -> None:
    run = await begin(store)
    found = await store.add_finding(finding(run, lens=None, assessment="bench_zero"))
    name = await add_calibration(
        store, "bench-zero", 24012.4, 1.8, "um", at_C=20.0, dof=3.0, finding=found, valid_until=None, by="keeper"
    )
    assert (await store.calibration(name)).finding == found
    with pytest.raises(BenchdError, match="no finding f-99"):
        await add_calibration(
            store, "bench-zero", 1.0, 1.0, "um", at_C=20.0, dof=3.0, finding="f-99", valid_until=None, by="keeper"
        )


async def test_set_ups_events_and_lenses(store: Store) -> None:
    chain = [{"term": "base", "value_um": -24012.4, "u_um": 1.8}]
    await store.add_setup(1186, {"lens": "L-0417", "glass": []}, chain)
    await store.add_setup(1187, {"lens": "L-0417", "glass": ["pane-25"]}, chain)
    last = await store.last_setup()
    assert last is not None
    assert (last.rev, last.doc["glass"], last.chain) == (1187, ["pane-25"], chain)
    assert (await store.setup(1186)).doc["glass"] == []
    with pytest.raises(BenchdError) as refused:
        await store.add_setup(1187, {}, [])
    assert refused.value.code == "bad_request"
    await store.add_event("homed", "info", "Carriage homed.", cause="c81", data={"axis": "carriage"})
    await store.add_event("stopped", "warning", "Stopped by wall.")
    assert [(e.code, e.cause, e.data) for e in await store.events()] == [
        ("homed", "c81", {"axis": "carriage"}),
        ("stopped", None, {}),
    ]
    await store.put_lens("L-0417", {"owner": "house"})
    await store.put_lens("L-0417", {"owner": "Maß & Söhne"})
    assert await store.lens("L-0417") == {"owner": "Maß & Söhne"}


async def test_everything_is_there_after_closing_and_opening_again(tmp_path: Path) -> None:
    store = await Store.open(URL, tmp_path, Clock())
    run = await begin(store)
    await store.add_readings([reading(run, i) for i in range(30)])
    await store.end_run(run, "done")
    await store.close()
    await store.close()
    again = await Store.open(URL, tmp_path, Clock())
    assert again.abandoned == ()
    assert [row.idx for row in await again.readings(run)] == list(range(30))
    assert await begin(again) == "r-0002"
    await again.close()


async def test_the_file_stands_beside_the_bench_file_in_wal_mode(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir("/")
    store = await Store.open("sqlite:///north-rail.db", tmp_path, Clock())
    assert store.path == tmp_path / "north-rail.db"
    # Asked of the store's own connection: synchronous and foreign_keys are settings of a connection, not of a file.
    asked = {
        name: await store._do(lambda c, name=name: c.exec_driver_sql(f"PRAGMA {name}").scalar())  # type: ignore[misc]
        for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
    }
    assert asked == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}
    await store.close()


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///:memory:", "postgresql://host/bench", "bench.db", ""])
async def test_a_url_that_names_no_sqlite_file_is_refused(tmp_path: Path, url: str) -> None:
    with pytest.raises(BenchdError, match="is not the URL of an SQLite file") as refused:
        await Store.open(url, tmp_path, Clock())
    assert refused.value.code == "bad_request"
    assert os.listdir(tmp_path) == []


async def test_a_second_writer_is_refused_and_told_who_holds_it(tmp_path: Path) -> None:
    store = await Store.open(URL, tmp_path, Clock())
    with pytest.raises(BenchdError, match=r"process [0-9]+") as refused:
        await Store.open(URL, tmp_path, Clock())
    assert refused.value.code == "busy"
    await store.close()
    await (await Store.open(URL, tmp_path, Clock())).close()


async def test_documents_are_kept_as_plain_json_for_other_programs(store: Store) -> None:
    run = await begin(store)
    await store.add_finding(finding(run))
    with closing(sqlite3.connect(store.path)) as other:
        (text,) = other.execute("SELECT doc FROM finding").fetchone()
    assert json.loads(text)["finding"] == "f-1"


async def test_a_cancelled_wait_loses_no_row(store: Store) -> None:
    run = await begin(store)
    # Hold the thread, so that the work behind it is surely still waiting when it is cancelled.
    gate = threading.Event()
    held = asyncio.create_task(store._do(lambda _: gate.wait(10)))
    writing = [asyncio.create_task(store.add_readings([reading(run, i)])) for i in range(5)]
    await asyncio.sleep(0)
    for task in writing:
        task.cancel()
    for task in writing:
        with pytest.raises(asyncio.CancelledError):
            await task
    gate.set()
    await held
    assert [row.idx for row in await store.readings(run)] == [0, 1, 2, 3, 4]


async def test_a_refusal_that_nobody_waits_for_any_more_harms_nothing(store: Store) -> None:
    run = await begin(store)
    gate = threading.Event()
    held = asyncio.create_task(store._do(lambda _: gate.wait(10)))
    doomed = asyncio.create_task(store.add_readings([reading("r-0404", 0)]))
    await asyncio.sleep(0)
    doomed.cancel()
    with pytest.raises(asyncio.CancelledError):
        await doomed
    gate.set()
    await held
    await store.add_readings([reading(run, 0)])
    assert len(await store.readings(run)) == 1


async def test_closing_finishes_what_was_handed_in_and_ends_the_thread(tmp_path: Path) -> None:
    before = set(threading.enumerate())
    store = await Store.open(URL, tmp_path, Clock())
    run = await begin(store)
    writing = asyncio.create_task(store.add_readings([reading(run, i) for i in range(500)]))
    await asyncio.sleep(0)
    await store.close()
    await writing
    assert set(threading.enumerate()) == before
    with pytest.raises(RuntimeError, match="closed"):
        await store.readings(run)
    again = await Store.open(URL, tmp_path, Clock())
    assert len(await again.readings(run)) == 500
    await again.close()


async def test_closing_that_is_cancelled_still_ends_the_thread(tmp_path: Path) -> None:
    before = set(threading.enumerate())
    store = await Store.open(URL, tmp_path, Clock())
    gate = threading.Event()
    held = asyncio.create_task(store._do(lambda _: gate.wait(10)))
    closing_down = asyncio.create_task(store.close())
    await asyncio.sleep(0)
    closing_down.cancel()
    gate.set()
    with pytest.raises(asyncio.CancelledError):
        await closing_down
    await held
    assert set(threading.enumerate()) == before


async def test_a_slow_disk_does_not_hold_up_who_stops_waiting(tmp_path: Path) -> None:
    """The end of a daemon gives the record its time; whatever is still being written then is written all the same."""
    opened = await Store.open(URL, tmp_path, Clock())
    run = await begin(opened)
    slow, done = threading.Event(), threading.Event()

    def disk(_: object) -> None:
        slow.wait(60.0)
        done.set()

    writing = asyncio.create_task(opened._do(disk))
    await asyncio.sleep(0.05)
    await within(opened.close, "the record", 0.2)
    await asyncio.sleep(0.05)  # what was called off ends in its next turn
    assert not done.is_set(), "the disk was waited for"
    with pytest.raises(BenchdError) as busy:
        await Store.open(URL, tmp_path, Clock())
    assert busy.value.code == "busy", "nobody else writes meanwhile"
    slow.set()
    await writing
    assert done.is_set()
    with closing(sqlite3.connect(tmp_path / "bench.db")) as record:
        assert record.execute("SELECT id FROM run").fetchall() == [(int(run.removeprefix("r-")),)]
