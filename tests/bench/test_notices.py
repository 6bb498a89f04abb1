"""What is told, to whom, and what is not told twice."""

from __future__ import annotations

import asyncio

from benchd.bench.notices import Notice, Notices, Subscription


async def taken(subscription: Subscription, count: int) -> list[Notice]:
    found: list[Notice] = []
    async with asyncio.timeout(120.0):
        async for notice in subscription:
            found.append(notice)
            if len(found) == count:
                break
    return found


async def test_a_late_listener_hears_what_is_kept() -> None:
    notices = Notices()
    notices.put("setup", {"rev": 1})
    notices.tell("event", {"code": "gone"})
    with notices.subscribe() as late:
        assert await taken(late, 1) == [Notice("setup", {"rev": 1}, kept=True)]


async def test_what_is_unchanged_but_for_time_is_not_told_again() -> None:
    notices = Notices()
    with notices.subscribe() as listener:
        notices.put("device/x", {"t": "1", "seq": 1, "state": "idle"})
        notices.put("device/x", {"t": "2", "seq": 2, "state": "idle"})
        notices.put("device/x", {"t": "3", "seq": 3, "state": "moving"})
        notices.tell("event", {"code": "end"})
        told = await taken(listener, 2)
    # the newest state replaces one that still waits
    assert [notice.doc["seq"] for notice in told if notice.doc and notice.kept] == [3]


async def test_a_state_is_told_before_what_came_of_it_even_if_a_newer_one_replaces_it() -> None:
    notices = Notices()
    with notices.subscribe() as listener:
        notices.put("device/carriage", {"homed": True})
        notices.tell("event", {"code": "done"})
        notices.put("device/carriage", {"homed": True, "carriage_um": 0.1})
        told = await taken(listener, 2)
    assert [notice.topic for notice in told] == ["device/carriage", "event"]
    assert told[0].doc == {"homed": True, "carriage_um": 0.1}


async def test_clearing_is_told_once() -> None:
    notices = Notices()
    with notices.subscribe() as listener:
        notices.put("finding/flange", {"finding": "f-1"})
        assert (await taken(listener, 1))[0].doc is not None
        notices.put("finding/flange", None)
        notices.put("finding/flange", None)
        notices.tell("event", {"code": "end"})
        told = await taken(listener, 2)
    assert [(notice.topic, notice.doc is None) for notice in told] == [("finding/flange", True), ("event", False)]


async def test_a_full_queue_drops_the_oldest_unkept_and_counts() -> None:
    notices = Notices()
    with notices.subscribe(limit=3) as slow:
        notices.put("setup", {"rev": 1})
        for index in range(5):
            notices.tell("reading", {"idx": index})
        told = await taken(slow, 3)
        assert slow.dropped == 3
    assert [notice.topic for notice in told] == ["setup", "reading", "reading"]
    assert [notice.doc["idx"] for notice in told[1:] if notice.doc] == [3, 4]
