"""Nothing begins over MQTT that somebody has stopped, or by a calibration that has ended or waits for a run.

Where the carriage stands is asked of the world, as somebody beside the bench would see it, and not of the daemon.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.client.bench_client import ENDED
from benchd.devices.clock import Clock, now_utc
from benchd.errors import BenchdError, Refused
from benchd.records.store import Store
from tests.one_calibration import add_calibration
from tests.virtual.benches import VirtualBench

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = pytest.mark.asyncio(loop_scope="module")

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"
STANDS = {"lens": LENS, "adapters": [RING], "glass": [PANE], "distance_mm": 5000, "ring": "infinity"}
RECORD = "sqlite:///workshop.db"
VALID_S = 40.0
FAR_UM, NEAR_UM = 25000.0, 1000.0
STILL_UM = 0.1
"""By which a carriage at rest rings a while after it came to rest."""

SHARPEST = """\
procedure: sharpest
title: Safety, sharpest
needs: {roles: [carriage, target_light, detector]}
steps:
  - nominal: {}
  - light: {level: 0.4}
  - sweep: {}
  - assess: {name: flange}
finally:
  - light: {level: 0}
"""
FILES = {"procedures/sharpest.yaml": SHARPEST}


async def write_record(folder: Path, valid_s: float) -> datetime:
    """A base whose calibration ran out long ago, an adapter's finding, and its calibration; gives the end of that."""
    line = {"term": "remounts", "u": 0.4, "type": "A", "dof": 5.0, "source": "r-0001"}
    length = {"value": 18003.0, "unit": "um", "u": 0.4, "dof": 5.0, "k": 2.5, "U": 1.0}
    found = {
        "assessment": "adapter_length", "setup": 0, "lens": None, "at": "2025-01-01T00:00:00Z", "version": "0",
        "measurand": {"arrangement": "wall", "artefact": RING}, "absolute": True, "values": {"length": length},
        "schema": 2, "budgets": {"length": [line]}, "calibrates": [{"artefact": RING, "value": "length"}],
        "verdict": None, "advice": None, "readings": None,
    }  # fmt: skip
    until = (now_utc() + timedelta(seconds=valid_s)).replace(microsecond=0)
    store = await Store.open(RECORD, folder, Clock())
    try:
        about: dict[str, Any] = {"text_sha": "", "inputs": {}, "setup": None, "lens": None, "job": None}
        run = await store.add_run("adapter_length", user="keeper", **about)
        await store.end_run(run, "done")
        finding = await store.add_finding({**found, "run": run})
        by: dict[str, Any] = {"at_C": 20.0, "dof": 5.0, "by": "keeper"}
        long_ago = "2001-01-01T00:00:00Z"
        await add_calibration(store, "bench-zero", 24000.0, 1.0, "um", finding=None, valid_until=long_ago, **by)
        soon = until.strftime("%Y-%m-%dT%H:%M:%SZ")
        await add_calibration(store, RING, 18003.0, 0.4, "um", finding=finding, valid_until=soon, **by)
    finally:
        await store.close()
    return until


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    async with VirtualBench(tmp_path_factory.mktemp("safety"), files=FILES, daemon=False) as bench:
        await write_record(bench.bench_file.parent, -1.0)
        await bench.start_daemon()
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def client(bench: VirtualBench) -> AsyncIterator[BenchClient]:
    """A client in control of a homed bench with the shipped lens stated, nothing under way."""
    async with bench.client("rail") as client:
        await client.command("take", beat=False)
        await nothing_runs(client)
        await client.command("setup", set={"lens": None, "glass": [], "adapters": []})
        await client.do("home", axes=["carriage"], only_if_unhomed=True)
        await client.command("setup", set=STANDS)
        yield client
        await nothing_runs(client)
        await client.command("release", beat=False)


async def nothing_runs(client: BenchClient) -> None:
    """A run that is under way is aborted and has ended."""
    procedure = await client.kept("procedure")
    if procedure["run"] is not None and procedure["state"] not in ENDED:
        with contextlib.suppress(Refused):  # ending by itself
            await client.command("abort", beat=False, run=procedure["run"])
        await ended(client, procedure["run"])


async def told(
    client: BenchClient, topic: str, holds: Callable[[Any], bool], within_s: float = 120.0
) -> dict[str, Any]:
    """The document of a topic as soon as it is so."""
    last = None
    try:
        async with asyncio.timeout(within_s):
            async for _, last in client.watch(topic):
                if last is not None and holds(last):
                    return dict(last)
    except TimeoutError:
        raise AssertionError(f"{topic} stays {last}") from None
    raise AssertionError("a watch does not end by itself")


async def ended(client: BenchClient, run: str, within_s: float = 120.0) -> dict[str, Any]:
    """The last state of a run."""
    async with asyncio.timeout(within_s):
        *_, last = [state async for state in client.follow(run)]
    return last


def code_of(refused: pytest.ExceptionInfo[BenchdError]) -> str:
    return str(refused.value.code)


def sources(setup: dict[str, Any]) -> dict[str, str]:
    """By term of the chain, who says so."""
    return {term["term"]: term["source"] for term in setup["chain"]}


async def test_expired_calibrations_are_out_of_the_chain(tmp_path: Path) -> None:
    """One had ended long before the daemon started, one ends while it runs."""
    async with contextlib.AsyncExitStack() as stack:
        bench = await stack.enter_async_context(VirtualBench(tmp_path, files=FILES, daemon=False))
        valid_until = await write_record(bench.bench_file.parent, VALID_S)
        await bench.start_daemon()
        client = await stack.enter_async_context(bench.client("rail"))
        await client.command("take", beat=False)
        rev = (await client.command("setup", set=STANDS))["rev"]
        before = await told(client, "setup", lambda doc: doc["rev"] == rev)
        assert sources(before)["base"] == "bench file", "cal-1 ended in 2001"
        assert sources(before)[f"adapter {RING}"] == "cal-2"
        assert before["absolute"] is False
        await client.do("home", axes=["carriage"])
        await client.do("nominal")
        await asyncio.sleep((valid_until - now_utc()).total_seconds())

        with pytest.raises(Refused) as refused:
            await client.command("sweep")
        assert code_of(refused) == "not_driven", "the chain by which it was driven is not the chain any more"
        after = await told(client, "setup", lambda doc: doc["rev"] > rev)
        assert sources(after)[f"adapter {RING}"] == "given by maker"

        run = await client.run("sharpest")
        assert (await ended(client, run))["state"] == "done"
        finding = await told(client, "finding/flange", lambda doc: doc["run"] == run)
        assert (finding["absolute"], finding["verdict"], finding["calibrations"]) == (False, None, [])
        lines = {line["term"]: line for line in finding["budgets"]["focus_error"]}
        assert lines[f"adapter {RING}"]["source"] == "given by maker"


async def test_accept_waits_for_the_run(client: BenchClient) -> None:
    run = await client.run("sharpest")
    await told(client, "reading", lambda doc: doc["run"] == run)
    before = await client.kept("setup")
    with pytest.raises(Refused) as refused:
        await client.command("accept", finding="f-1")
    assert code_of(refused) == "busy"
    assert (refused.value.data["doing"], refused.value.data["run"]) == ("run", run)
    assert (await ended(client, run))["state"] == "done"
    finding = await told(client, "finding/flange", lambda doc: doc["run"] == run)
    assert finding["setup"] == before["rev"]
    assert finding["calibrations"] == []
    assert (await client.kept("setup"))["chain"] == before["chain"]

    calibration = (await client.command("accept", finding="f-1"))["calibration"]
    after = await told(client, "setup", lambda doc: doc["rev"] > before["rev"])
    assert sources(after)[f"adapter {RING}"] == calibration, "it was the run that it had to wait for"
    with pytest.raises(Refused, match=f"already in force as {calibration}"):
        await client.command("accept", finding="f-1")


async def test_nothing_accepted_before_a_stop_begins_after_it(bench: VirtualBench, client: BenchClient) -> None:
    await client.do("move", carriage_um=FAR_UM)
    start = bench.place_um()
    for turn in range(20):
        # Stale since the last turn: nominal, 15 mm away, is where it would go.
        await client.command("setup", set={"distance_mm": 5001 + turn})
        await client.command("setup", set={"temperature_C": 20.5 + 0.1 * turn}, follow=True)
        await asyncio.sleep(0.001 * turn)
        await client.stop()
        await asyncio.sleep(0.5)
        place = await bench.rests(0.15)
        # Within 25 ms, messages under way included, it gathers speed at 20 mm/s^2 and loses it alike; it rings by 3 um.
        assert -3.0 < start - place < 0.025**2 * 20_000.0 + 3.0, turn
        start = place


async def test_what_waits_for_its_turn_is_dropped_by_a_stop(
    bench: VirtualBench, client: BenchClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = Store.add_setup

    async def slowly(store: Store, *change: Any) -> None:
        await asyncio.sleep(0.01)
        await write(store, *change)

    monkeypatch.setattr(Store, "add_setup", slowly)
    await client.do("move", carriage_um=FAR_UM)
    for turn in range(3):
        place = await bench.rests(0.3)
        # Each change is written to the record, and the move waits behind all of them.
        changes = [{"distance_mm": 5100 + 100 * turn + count} for count in range(30)]
        waiting = [asyncio.create_task(client.command("setup", beat=False, set=change)) for change in changes]
        move = asyncio.create_task(client.command("move", carriage_um=NEAR_UM))
        await asyncio.sleep(0.03)
        await client.stop()
        await asyncio.gather(*waiting)
        with pytest.raises(Refused, match="stop") as refused:
            await move
        assert code_of(refused) == "stale", "it is looked at after the stop, and its beat was drawn before"
        assert await bench.rests(0.3) == pytest.approx(place, abs=STILL_UM), turn
    await client.do("move", carriage_um=FAR_UM - 1000.0)
