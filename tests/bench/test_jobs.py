"""One thing at a time, and how it ends."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from benchd.bench.jobs import Jobs, Stopped
from benchd.errors import BenchdError, Refused

Ended = tuple[str, str | None, Any, BaseException | None]


@pytest.fixture
def ended() -> list[Ended]:
    return []


@pytest.fixture
def jobs(ended: list[Ended]) -> Jobs:
    return Jobs(lambda *end: ended.append(end))


async def test_a_second_job_is_refused_naming_the_first(jobs: Jobs, ended: list[Ended]) -> None:
    gate = asyncio.Event()
    jobs.start("move", gate.wait, "c1")
    with pytest.raises(Refused, match="'move'") as refused:
        jobs.start("home", gate.wait)
    assert refused.value.code == "busy"
    gate.set()
    await jobs.wait()
    assert ended == [("move", "c1", True, None)]
    assert jobs.kind is None


async def test_broken_off_ends_with_the_reason_after_its_own_cleaning_up(jobs: Jobs, ended: list[Ended]) -> None:
    cleaned = []

    async def work() -> None:
        try:
            await asyncio.sleep(60.0)
        finally:
            await asyncio.sleep(0.01)
            cleaned.append(True)

    jobs.start("sweep", work, "c2")
    await asyncio.sleep(0)
    reason = Stopped()
    await jobs.cancel(reason)
    assert cleaned == [True]
    assert ended == [("sweep", "c2", None, reason)]


async def test_an_error_is_an_end_and_the_slot_is_free_again(jobs: Jobs, ended: list[Ended]) -> None:
    async def fails() -> None:
        raise BenchdError("limit", "Too far.")

    async def breaks() -> None:
        raise RuntimeError("a driver's bug")

    for work in (fails, breaks):
        jobs.start("move", work)
        await jobs.wait()
    assert [type(error) for *_, error in ended] == [BenchdError, RuntimeError]


async def test_nothing_begins_after_the_end(jobs: Jobs, ended: list[Ended]) -> None:
    begun = jobs.start("home", asyncio.Event().wait)
    await asyncio.sleep(0)
    await jobs.close(Stopped())
    assert begun.task.done()
    with pytest.raises(Refused, match="shut down"):
        jobs.start("move", asyncio.Event().wait)
    assert [kind for kind, *_ in ended] == ["home"]


async def test_breaking_off_nothing_is_nothing(jobs: Jobs, ended: list[Ended]) -> None:
    await jobs.cancel(Stopped())
    assert ended == []


async def test_kept_free_twice_at_once_none_begins_before_both_are_over(jobs: Jobs) -> None:
    with jobs.none_begins("one"):
        with jobs.none_begins("other"):
            pass
        with pytest.raises(Refused, match="busy with one"):
            jobs.check_free()
    jobs.check_free()
