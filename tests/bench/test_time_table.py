"""Where the time of a run went: what passes one after the other is counted once, and every second stands somewhere."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.bench.time_table import TimeTable, add, begin, spent


class Hand:
    """A clock that is turned by hand."""

    now_s = 100.0

    def monotonic(self) -> float:
        return self.now_s


def rows(table: TimeTable) -> dict[str, dict[str, Any]]:
    return {row["what"]: row for row in table.as_json()["rows"]}


@pytest.fixture
def clock() -> Hand:
    return Hand()


@pytest.fixture
def table(clock: Hand) -> TimeTable:
    return TimeTable(clock)  # type: ignore[arg-type]


def test_every_second_stands_in_a_row(table: TimeTable, clock: Hand) -> None:
    with table.spent("moves", 0.3):
        clock.now_s += 0.5
    clock.now_s += 2.0
    with table.spent("settling", 0.15):
        clock.now_s += 0.15
    found = rows(table)
    assert table.as_json()["total_s"] == pytest.approx(2.65)
    assert found["moves"] == {"what": "moves", "count": 1, "s": 0.5, "floor_s": 0.3}
    assert found["other"]["s"] == pytest.approx(2.0)
    assert sum(row["s"] for row in found.values()) == pytest.approx(2.65)


def test_what_is_inside_another_is_part_of_that(table: TimeTable, clock: Hand) -> None:
    with table.spent("homing", None):
        clock.now_s += 1.0
        with table.spent("moves", 0.1):
            clock.now_s += 1.0
    assert set(rows(table)) == {"homing", "other"}
    assert rows(table)["homing"] == {"what": "homing", "count": 1, "s": 2.0, "floor_s": 2.0}, "its floor is not known"


def test_a_floor_is_never_above_what_it_took(table: TimeTable, clock: Hand) -> None:
    with table.spent("moves", 5.0):
        clock.now_s += 0.5
    assert rows(table)["moves"]["floor_s"] == 0.5


def test_each_exchange_could_be_as_quick_as_the_quickest(table: TimeTable) -> None:
    for took_s in (0.02, 0.01, 0.05):
        table.add("wire", took_s, 0.0)
    assert rows(table)["wire"] == {"what": "wire", "count": 3, "s": 0.08, "floor_s": 0.03}


def test_what_is_broken_off_counts_as_far_as_it_came(table: TimeTable, clock: Hand) -> None:
    def break_off() -> None:
        with table.spent("analysis", 0.0):
            clock.now_s += 0.4
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_off()
    with table.spent("analysis", 0.0):
        clock.now_s += 0.1
    assert rows(table)["analysis"]["s"] == pytest.approx(0.5)


async def test_outside_a_run_nothing_is_counted(table: TimeTable) -> None:
    with spent("moves"):
        add("wire", 1.0)
    assert set(rows(table)) == {"other"}
    begin(table)
    add("wire", 1.0)
    assert rows(table)["wire"]["count"] == 1
