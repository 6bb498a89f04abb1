"""Nothing begins over MQTT that somebody has stopped, or by a calibration that has ended or waits for a run.

Where the carriage stands is asked of the world, as somebody beside the bench would see it, and not of the daemon.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import time
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.client.bench_client import ENDED
from benchd.devices.clock import Clock
from benchd.errors import BenchdError, Refused
from benchd.records.store import Store
from stack import CONFIGS, Stack
from tests.one_calibration import add_calibration
from tests.stack.conftest import PACE, SEED

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"
STANDS = {"lens": LENS, "adapters": [RING], "glass": [PANE], "distance_mm": 5000, "ring": "infinity"}
RECORD = "sqlite:///workshop.db"
VALID_S = 40.0
FAR_UM, NEAR_UM = 25000.0, 1000.0
STILL_UM = 10.0
"""A carriage at rest rings by 3 um; a step of a motion is a thousand times as long."""

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


def lay_out(folder: Path) -> None:
    """The bench's files, with a procedure of its owner's beside them."""
    shutil.copytree(CONFIGS / "workshop", folder)
    (folder / "procedures").mkdir()
    (folder / "procedures" / "sharpest.yaml").write_text(SHARPEST)


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
    until = (datetime.now(UTC) + timedelta(seconds=valid_s)).replace(microsecond=0)
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
async def stack(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Stack]:
    folder = tmp_path_factory.mktemp("safety")
    lay_out(folder / "workshop")
    await write_record(folder / "workshop", -1.0)
    async with Stack(seed=SEED, pace=PACE, folder=folder) as stack:
        yield stack


@pytest_asyncio.fixture(loop_scope="module")
async def client(stack: Stack) -> AsyncIterator[BenchClient]:
    """A client in control of a homed bench with the shipped lens stated, nothing under way."""
    async with stack.client("rail") as client:
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


def place_um(stack: Stack) -> float:
    """Where the carriage truly stands."""
    return float(stack.ask_world({"do": "truth"})["truth"]["now"]["carriage_um"])


async def rests(stack: Stack, for_s: float) -> float:
    """The place at which the carriage stays all this time."""
    began, seen = time.monotonic(), [place_um(stack)]
    while time.monotonic() < began + for_s:
        await asyncio.sleep(0.05)
        seen.append(place_um(stack))
    assert max(seen) - min(seen) < STILL_UM, seen
    return seen[-1]


def code_of(refused: pytest.ExceptionInfo[BenchdError]) -> str:
    return str(refused.value.code)


def sources(setup: dict[str, Any]) -> dict[str, str]:
    """By term of the chain, who says so."""
    return {term["term"]: term["source"] for term in setup["chain"]}


async def test_expired_calibrations_are_out_of_the_chain(tmp_path: Path) -> None:
    """One had ended long before the daemon started, one ends while it runs."""
    lay_out(tmp_path / "workshop")
    valid_until = await write_record(tmp_path / "workshop", VALID_S)
    async with Stack(seed=SEED, pace=PACE, folder=tmp_path) as stack, stack.client("rail") as client:
        assert datetime.now(UTC) < valid_until, "too slow a start for what is to be seen"
        await client.command("take", beat=False)
        rev = (await client.command("setup", set=STANDS))["rev"]
        before = await told(client, "setup", lambda doc: doc["rev"] == rev)
        assert sources(before)["base"] == "bench file", "cal-1 ended in 2001"
        assert sources(before)[f"adapter {RING}"] == "cal-2"
        assert before["absolute"] is False
        await client.do("home", axes=["carriage"])
        await client.do("nominal")
        await asyncio.sleep(max((valid_until - datetime.now(UTC)).total_seconds(), 0.0) + 1.0)

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


async def test_nothing_accepted_before_a_stop_begins_after_it(stack: Stack, client: BenchClient) -> None:
    await client.do("move", carriage_um=FAR_UM)
    start = place_um(stack)
    for turn in range(20):
        # Stale since the last turn: nominal, 15 mm away, is where it would go.
        await client.command("setup", set={"distance_mm": 5001 + turn})
        await client.command("setup", set={"temperature_C": 20.5 + 0.1 * turn}, follow=True)
        await asyncio.sleep(0.001 * turn)
        await client.stop()
        await asyncio.sleep(0.5)
        place = await rests(stack, 0.15)
        # At 20 mm/s it goes 0.4 mm in these 20 ms and 0.4 mm until it stands; 3 mm are the time of a slow machine.
        assert start - place < 3000.0, turn
        start = place
    assert place > 10500.0


async def test_what_waits_for_its_turn_is_dropped_by_a_stop(stack: Stack, client: BenchClient) -> None:
    await client.do("move", carriage_um=FAR_UM)
    place, dropped = place_um(stack), 0
    for turn in range(20):
        # Each change is written to the record, and the move waits behind all of them.
        changes = [{"distance_mm": 5100 + 100 * turn + count} for count in range(30)]
        waiting = [asyncio.create_task(client.command("setup", beat=False, set=change)) for change in changes]
        move = asyncio.create_task(client.command("move", carriage_um=NEAR_UM))
        await asyncio.sleep(0.005)
        await client.stop()
        await asyncio.gather(*waiting)
        await asyncio.wait({move})
        error = move.exception()
        if error is not None:  # where it still waited to be looked at, its beat was drawn before the stop
            assert isinstance(error, Refused)
            assert error.code in {"not_allowed", "stale"}
            assert "stop" in str(error)
            assert abs(await rests(stack, 0.3) - place) < STILL_UM, turn
            dropped += 1
        else:  # this process was held up, and the move's turn had come before the stop: it has ended that, too
            assert await rests(stack, 0.3) > NEAR_UM + STILL_UM
            await client.do("move", carriage_um=FAR_UM)
        if dropped == 3:
            break
    assert dropped == 3
    await client.do("move", carriage_um=FAR_UM - 1000.0)
