"""A newer record is refused, an older one backed up and migrated, its rows unchanged."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.records import schema
from benchd.records.engine import open_engine
from benchd.records.reader import Reader
from benchd.records.store import Store
from benchd.records.upgrade import MIGRATIONS, migrate

URL = "sqlite:///bench.db"
AT = "2031-04-05T09:12:44.120Z"


def rows_of(path: Path, table: str, columns: str = "*") -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(f"SELECT {columns} FROM {table} ORDER BY id").fetchall()


def older_record(path: Path) -> None:
    """A record as the first schema made it, with rows."""
    engine = open_engine(path)
    with engine.connect() as connection:
        migrate(connection, AT, "0001")
        with connection.begin():
            for statement in (
                "INSERT INTO run VALUES (1, :at, 'flange', '', '{}', NULL, 'L-0417', NULL, 'w', 'done', :at, :at)",
                "INSERT INTO reading VALUES (1, :at, 1, 0, :at, 7.5, -8.0, 9.5, 'view', 'v', "
                "0.30000000000000004, '1', 'good')",
                "INSERT INTO reading VALUES (2, :at, 1, 1, :at, 7.9, NULL, NULL, 'view', 'v', NULL, '1', 'bad')",
                """INSERT INTO finding VALUES (1, :at, 1, 'flange', 'L-0417', '{"finding":"f-1"}')""",
                "INSERT INTO calibration VALUES (4, :at, 'ring-07', 18003.2, 0.8, 'um', 20, NULL, '[]', 1, NULL, 'k')",
            ):
                connection.exec_driver_sql(statement.replace(":at", f"'{AT}'"))
    engine.dispose()


async def test_the_backup_is_on_the_disk_before_the_record_is_touched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bytes and name: a power cut in the migration would else leave a record in pieces and a backup of nothing."""
    path, real, synced = tmp_path / "bench.db", os.fsync, []

    def looked_on(handle: int) -> None:
        real(handle)
        place = Path(os.readlink(f"/proc/self/fd/{handle}"))
        named = sorted(file.name.rpartition(".")[2] for file in tmp_path.iterdir() if ".schema-0001." in file.name)
        synced.append((place.name.rpartition(".")[2] if place != tmp_path else "folder", named, revision()))

    def revision() -> str:
        (row,) = rows_of(path, "meta")[-1:]
        return str(row[2])

    older_record(path)
    monkeypatch.setattr(os, "fsync", looked_on)
    store = await Store.open(URL, tmp_path, Clock())
    await store.close()
    assert synced == [("part", ["part"], "0001"), ("folder", ["bak"], "0001")]
    assert revision() == schema.HEAD


async def test_an_older_record_is_backed_up_and_migrated_its_rows_unchanged(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    older_record(path)
    reading_columns = "id, at, run, idx, t_utc, t_mono, offset_um, carriage_um, device, channel, value, unit, quality"
    of_calibration = "id, at, artefact, value, u, unit, at_C, dof, points, finding, valid_until, by"
    whole = {"run": "*", "finding": "*", "calibration": of_calibration}
    tables = {table: rows_of(path, table, columns) for table, columns in whole.items()}
    readings = rows_of(path, "reading", reading_columns)
    assert len(readings) == 2

    store = await Store.open(URL, tmp_path, Clock())
    assert store.backup is not None
    assert [(row.idx, row.value, row.u) for row in await store.readings("r-0001")] == [
        (0, 0.30000000000000004, None),
        (1, None, None),
    ]
    assert (await store.calibration("cal-4")).finding == "f-1"
    await store.close()

    assert {table: rows_of(path, table, columns) for table, columns in whole.items()} == tables
    assert rows_of(path, "reading", reading_columns) == readings
    assert [row[2] for row in rows_of(path, "meta")] == ["0001", "0002", "0003", "0004", "0005"]
    # The backup is the record as it was.
    assert [row[2] for row in rows_of(store.backup, "meta")] == ["0001"]
    assert rows_of(store.backup, "reading") == readings
    again = await Store.open(URL, tmp_path, Clock())
    assert again.backup is None
    await again.close()


async def test_a_record_of_before_speaks_the_names_of_today(tmp_path: Path) -> None:
    """`base_depth` became `bench_zero`, ring `stop` became `hard_stop`; what an older daemon wrote is found by both."""
    path = tmp_path / "bench.db"
    older_record(path)
    with closing(sqlite3.connect(path)) as connection:
        for statement in (
            "INSERT INTO run VALUES (2, :at, 'base_depth', '', '{}', NULL, NULL, NULL, 'w', 'done', :at, :at)",
            "INSERT INTO finding VALUES (2, :at, 2, 'base_depth', NULL, "
            """'{"finding":"f-2","assessment":"base_depth","measurand":{"artefact":"base-depth"}}')""",
            "INSERT INTO finding VALUES (3, :at, 1, 'flange', 'L-0417', "
            """'{"finding":"f-3","assessment":"flange","measurand":{"ring":"stop","f_number":2.0}}')""",
            """INSERT INTO setup VALUES (1, :at, 3, '{"rev":3,"ring":"stop","trim_um":0.1}', '[]')""",
            """INSERT INTO setup VALUES (2, :at, 4, '{"rev":4,"ring":{"mark":2}}', '[]')""",
        ):
            connection.execute(statement.replace(":at", f"'{AT}'"))
        connection.commit()
    await (await Store.open(URL, tmp_path, Clock())).close()

    assert [row[0] for row in rows_of(path, "run", "procedure")] == ["flange", "bench_zero"]
    found = [(name, json.loads(doc)) for name, doc in rows_of(path, "finding", "assessment, doc")]
    assert found == [
        ("flange", {"finding": "f-1"}),
        ("bench_zero", {"finding": "f-2", "assessment": "bench_zero", "measurand": {"artefact": "base-depth"}}),
        ("flange", {"finding": "f-3", "assessment": "flange", "measurand": {"ring": "hard_stop", "f_number": 2.0}}),
    ]
    documents = [json.loads(doc) for (doc,) in rows_of(path, "setup", "doc")]
    assert documents == [{"rev": 3, "ring": "hard_stop", "trim_um": 0.1}, {"rev": 4, "ring": {"mark": 2}}]


async def test_a_newer_record_is_refused_and_left_alone(tmp_path: Path) -> None:
    await (await Store.open(URL, tmp_path, Clock())).close()
    path = tmp_path / "bench.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO meta (at, schema) VALUES (?, '0099')", (AT,))
        connection.commit()
    before = path.read_bytes()
    with pytest.raises(BenchdError, match="schema 0099") as refused:
        await Store.open(URL, tmp_path, Clock())
    assert refused.value.code == "bad_request"
    assert refused.value.advice
    with pytest.raises(BenchdError, match="schema 0099"):
        Reader.open(URL, tmp_path)
    assert path.read_bytes() == before
    assert not [name for name in os.listdir(tmp_path) if name.endswith(".bak")]


async def test_a_migration_that_fails_leaves_the_record_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    older_record(path)
    with closing(sqlite3.connect(path)) as connection:
        # Somebody has added the column by hand: the migration meets it half way.
        connection.execute("ALTER TABLE reading ADD COLUMN u FLOAT")
        connection.commit()
    before = {table: rows_of(path, table) for table in ("meta", "run", "reading", "finding", "calibration")}
    with pytest.raises(BenchdError, match="duplicate column"):
        await Store.open(URL, tmp_path, Clock())
    assert {table: rows_of(path, table) for table in before} == before


async def test_a_database_of_another_program_is_refused(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "bench.db")) as connection:
        connection.execute("CREATE TABLE songs (title TEXT)")
    with pytest.raises(BenchdError, match="not a record"):
        await Store.open(URL, tmp_path, Clock())


async def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / "bench.db").write_bytes(b"bench: north-rail\n" * 100)
    with pytest.raises(BenchdError, match="not a database") as refused:
        await Store.open(URL, tmp_path, Clock())
    assert refused.value.code == "device_fault"
    assert (tmp_path / "bench.db").read_bytes() == b"bench: north-rail\n" * 100


async def test_an_older_record_is_not_read_beside_the_daemon(tmp_path: Path) -> None:
    older_record(tmp_path / "bench.db")
    with pytest.raises(BenchdError, match="older"):
        Reader.open(URL, tmp_path)
    assert [row[2] for row in rows_of(tmp_path / "bench.db", "meta")] == ["0001"]


async def test_the_migrations_make_the_tables_that_the_queries_speak_of(tmp_path: Path) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    await (await Store.open(URL, tmp_path, Clock())).close()
    engine = open_engine(tmp_path / "bench.db")
    with engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), schema.metadata)
    engine.dispose()
    assert differences == []


def test_the_head_is_the_last_migration() -> None:
    numbered = sorted(path.name for path in (MIGRATIONS / "versions").glob("[0-9]*.py"))
    assert [name[:4] for name in numbered] == [f"{i + 1:04d}" for i in range(len(numbered))]
    assert numbered[-1][:4] == schema.HEAD


def test_a_record_that_is_up_to_date_does_not_load_the_migration_library(tmp_path: Path) -> None:
    program = f"""
import asyncio, sys
from pathlib import Path
from benchd.devices.clock import Clock
from benchd.records.store import Store
async def main():
    await (await Store.open({URL!r}, Path({str(tmp_path)!r}), Clock())).close()
asyncio.run(main())
print([name for name in sys.modules if name.split('.')[0] in ('alembic', 'mako')])
"""
    said = [
        subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
        for _ in ("makes the record", "opens it")
    ]
    assert "alembic" in said[0]
    assert said[1].strip() == "[]"
